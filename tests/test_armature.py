"""The winding's own field and inductance: filaments and their images, energy, textbook limits."""

from __future__ import annotations

from importlib import import_module
from math import log, pi

import numpy as np
import pytest
from makers import make_study

from arrayopt.field import AirgapField, solve_field
from arrayopt.layout import Layout, build_layout
from arrayopt.machine import armature, inductances, star_of_slots, winding_of
from arrayopt.machine.copper import slot_area
from arrayopt.quantities import MU0
from arrayopt.study import Study

_ONE = np.array([1])


def solved(study: Study) -> tuple[Layout, AirgapField]:
    layout = build_layout(study)
    return layout, solve_field(layout, orders=_ONE)


def machine(position: str, kind: str, ring: float, **values: object) -> Study:
    """Five pole pairs and twelve slots round 40 mm, thick gap, with or without a steel ring."""
    size = {"stator.slot_opening_mm": 3.0} if kind == "slotted" else {"stator.coil_side_mm": 4.0}
    return make_study(
        position=position, kind=kind, pole_pairs=5, diameter=40.0, airgap=2.5, thickness=4.0,
        fill=0.5,
        values={"stator.slots": 12, "rotor.steel_ring_mm": ring, "stator.tooth_width_mm": None,
                "stator.slot_depth_mm": None, "stator.yoke_mm": None}
        | size | values,
    )  # fmt: skip


def conductors(study: Study, *, pieces: int) -> tuple[np.ndarray, np.ndarray, float, float]:
    """Angles and turns (phase, filament) of even filaments, radius and width of their sheet [m].

    Turns count along the shaft towards the eye; a coil goes in where it starts, so that it
    sends its flux outward.
    """
    stator, winding = study.stator, winding_of(study)
    pitch = 2 * pi / stator.slots
    surface = stator.surface_diameter_mm / 2 * 1e-3
    if stator.kind == "slotted":
        radius, width = surface, stator.slot_opening_mm * 1e-3
        apart = winding.coil_span * pitch
    else:
        outward = (stator.kind == "smooth") == (study.rotor.position == "outer")
        radius = surface + (1 if outward else -1) * stator.winding_thickness_mm * 1e-3 / 2
        width = stator.coil_side_mm * 1e-3
        beside = winding.layers == 2 and winding.coil_span == 1
        apart = winding.coil_span * pitch - (width / radius if beside else 0)
    inside = ((np.arange(pieces) + 0.5) / pieces - 0.5) * width / radius
    angles, turns = [], []
    for k in range(stator.slots):
        signs = [winding.coil_signs(phase)[k] for phase in "ABC"]
        for at, sense in ((k * pitch, -1), (k * pitch + apart, 1)):
            angles += list(at + inside)
            turns += [[sense * s * study.winding.turns_per_coil / pieces for s in signs]] * pieces
    return np.array(angles), np.array(turns).T, radius, width


def image_radii(source: float, field: AirgapField) -> list[float]:
    """Radii of a filament and its images: each iron sends each image on to its inverse point."""
    irons, found = field.irons, [source]
    for first in (0, 1):
        at, side = source, first
        for _ in range(60):
            radius, iron = ((irons.stator, irons.stator_iron), (irons.ring, irons.ring_iron))[side]
            if not iron[0]:
                break
            at, side = float(radius[0]) ** 2 / at, 1 - side
            found.append(at)
    return found


def filament_field(
    z: np.ndarray, angles: np.ndarray, currents: np.ndarray, radii: list[float]
) -> np.ndarray:
    """Bx - i By of long filaments (Biot and Savart): mu0 I/(2 pi i (z - z0))."""
    total = np.zeros(z.shape, dtype=complex)
    for radius in radii:
        at = radius * np.exp(1j * angles)
        total += (MU0 * currents / (2j * pi * (z[..., None] - at))).sum(axis=-1)
    return total


CASES = [
    (position, kind, ring)
    for position in ("outer", "inner")
    for kind, ring in (("ironless", 0.0), ("smooth", 0.0), ("smooth", 2.0), ("ironless", 2.0),
                       ("slotted", 0.0), ("slotted", 2.0))
]  # fmt: skip


@pytest.mark.parametrize(("position", "kind", "ring"), CASES)
def test_independent_field_of_filaments(position: str, kind: str, ring: float) -> None:
    """Filaments and their images in both irons summed, balanced currents at two moments.

    Currents add up to nothing, so images in the shaft's centre do too. A filament on the iron
    itself is its own image.
    """
    study = machine(position, kind, ring)
    layout, field = solved(study)
    found = armature(layout, field)
    angles, turns, radius, _ = conductors(study, pieces=40)
    if kind == "slotted":  # the gap's lengthening by slots carries the sheet with it
        radius = float(field.irons.stator[0])
    radii = image_radii(radius, field)
    at = 3.5e-3 * (1 if position == "outer" else -1) + 20e-3
    theta = np.linspace(0, 2 * pi, 50, endpoint=False) + 0.01
    for phase in (0.3, 1.9):
        currents = np.cos(phase - 2 * pi / 3 * np.arange(3)) @ turns
        B = filament_field(at * np.exp(1j * theta), angles, currents, radii)
        B = np.conj(B) * np.exp(-1j * theta)
        radial, tangential = found.field_at(np.array(at), theta, np.array(phase))
        size = np.abs(B).max()
        # 40 filaments for an even side.
        np.testing.assert_allclose(radial, B.real, atol=2e-4 * size)
        np.testing.assert_allclose(tangential, B.imag, atol=2e-4 * size)


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_exact_boundary(position: str) -> None:
    """No tangential field on the steel ring; mu0 K beside a sheet on iron without one."""
    layout, field = solved(machine(position, "slotted", 2.0))
    found, theta = armature(layout, field), np.linspace(0, 1, 30)
    radial, tangential = found.field_at(field.irons.ring, theta, np.array(0.4))
    assert np.abs(tangential).max() < 1e-12 * np.abs(radial).max()

    study = machine(position, "slotted", 0.0)
    layout, field = solved(study)
    found, radius = armature(layout, field), float(field.irons.stator[0])
    angles, turns, _, _ = conductors(study, pieces=400)
    t = np.arange(256) / 256 * 2 * pi
    _, tangential = found.field_at(np.array(radius), t, np.array(0.0))
    for v in (1, 5, 7, 13):
        K = (np.array([1, -0.5, -0.5]) @ turns @ np.exp(-1j * v * angles)) / (pi * radius)
        wave = np.fft.rfft(tangential)[v] / 128
        # 400 filaments for an even sheet; waves beyond the 128th fold back.
        np.testing.assert_allclose(abs(wave), abs(MU0 * K), rtol=1e-3, atol=1e-4 * MU0)


def test_published_senses_of_rotation() -> None:
    """One slot per pole and phase: fifth backward, seventh forward, no third (textbook)."""
    study = make_study(kind="slotted", pole_pairs=4, fill=0.5, values={"stator.slots": 24})
    found = armature(*solved(study))
    forward, backward = (
        np.abs(w)[np.array([1, 3, 5, 7, 11, 13]) * 4 - 1] for w in (found.forward, found.backward)
    )
    strong = forward[0]
    assert (forward > 1e-3 * strong).tolist() == [True, False, False, True, False, True]
    assert (backward > 1e-3 * strong).tolist() == [False, False, True, False, True, False]


# --- inductance ---


@pytest.mark.parametrize(("position", "kind", "ring"), CASES)
@pytest.mark.parametrize("paths", [1, 2])
def test_independent_inductance_is_the_energy(
    position: str, kind: str, ring: float, paths: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Energy of three balanced currents, 3/4 L I^2, is half the sum of flux times ampere-turns.

    Flux between the filaments from the field at the sheet's radius, by the trapezium rule; a
    winding's thickness is left out of both.
    """
    module = import_module("arrayopt.machine.armature")
    monkeypatch.setattr(module, "_through", lambda _: (1.0, 1.0))
    study = machine(position, kind, ring, **{"winding.parallel_paths": paths})
    layout, field = solved(study)
    angles, turns, radius, _ = conductors(study, pieces=60)
    if kind == "slotted":
        radius = float(field.irons.stator[0])
    # One ampere a phase is 1/paths in each coil.
    currents = np.array([1, -0.5, -0.5]) @ turns / paths
    t = np.linspace(0, 2 * pi, 12 * 600 + 1)
    radial, _ = armature(layout, field).field_at(np.array(radius), t, np.array(0.0))
    flux = np.r_[0, np.cumsum((radial[1:] + radial[:-1]) / 2)] * t[1] * radius * 12e-3
    # A coil from a to b embraces flux(b) - flux(a): the sum of turns times flux.
    energy = 0.5 * (currents * np.interp(np.mod(angles, 2 * pi), t, flux)).sum()
    found = inductances(layout, field).gap[0]
    np.testing.assert_allclose(energy, 0.75 * found, rtol=2e-3)  # 60 filaments, 7200 angles


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("kind", ["ironless", "smooth"])
def test_independent_inductance_of_strips(position: str, kind: str) -> None:
    """Coil sides as layers of thin strips: long wires, -mu0/(2 pi) ln of their distance.

    A strip's distance from itself is its width times e^(-3/2) (geometric mean, Maxwell, from
    memory); its images in the iron are strips of their own.
    """
    study = machine(position, kind, 0.0)
    layout, field = solved(study)
    pieces = 24
    angles, turns, radius, width = conductors(study, pieces=pieces)
    nodes, weights = np.polynomial.legendre.leggauss(4)
    layers = radius + study.stator.winding_thickness_mm * 1e-3 / 2 * nodes
    potential = np.zeros((len(angles), len(angles)))
    for near, share in zip(layers, weights / 2, strict=True):
        here = near * np.exp(1j * angles)
        for far, part in zip(layers, weights / 2, strict=True):
            for at in image_radii(far, field):
                apart = np.abs(here[:, None] - at * np.exp(1j * angles))
                if at == near:
                    same = np.kron(np.eye(len(here) // pieces), np.ones((pieces, pieces))) > 0
                    apart[same] = width * np.exp(-1.5)
                potential -= share * part * MU0 / (2 * pi) * np.log(apart)
    currents = np.array([1, -0.5, -0.5]) @ turns
    expected = turns[0] @ potential @ currents * 12e-3
    # Orders left out, 24 filaments a strip, four layers, straight strips; fields are taken to
    # fall by exp(-n (r - r')/R), 0.4 % for a winding 6 % of the radius thick.
    np.testing.assert_allclose(inductances(layout, field).gap[0], expected, rtol=8e-3)


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_published_airgap_formula(position: str) -> None:
    """3 mu0 N^2 k_w^2 D L/(pi p^2 g) with a ring close by (textbook, from memory).

    Four slots per pole and phase, 5/6 pitch: other orders add 0.6 % (sum of (k_v/(v k_1))^2).
    """
    study = make_study(
        position=position, kind="slotted", pole_pairs=2, diameter=400.0, airgap=0.3,
        thickness=0.7, fill=0.3, shape="arc",
        values={"stator.slots": 48, "winding.coil_span_slots": 10, "rotor.steel_ring_mm": 10.0,
                "stator.slot_opening_mm": 0.05, "stator.slot_depth_mm": None,
                "stator.yoke_mm": None},
    )  # fmt: skip
    layout, field = solved(study)
    gap = abs(float(field.irons.ring[0] - field.irons.stator[0]))
    middle = float(field.irons.ring[0] + field.irons.stator[0]) / 2
    winding = star_of_slots(slots=48, pole_pairs=2, coil_span=10)
    orders = np.array([m for m in range(1, 300, 2) if m % 3])
    factors = winding.factors(orders) / orders
    N, kw = 22 * 16, factors[0]
    textbook = 3 * MU0 * N**2 * kw**2 * 2 * middle * 12e-3 / (pi * 2**2 * gap)
    textbook *= 1 + ((factors[1:] / kw) ** 2).sum()
    # Waves of high orders are not long against the gap.
    np.testing.assert_allclose(inductances(layout, field).gap[0], textbook, rtol=3e-3)


@pytest.mark.parametrize(("depth", "tip"), [(4.0, 0.1), (0.5, 2.0)])
def test_published_slot_leakage(depth: float, tip: float) -> None:
    """12 mu0 L N^2 (h/(3 b) + t/b)/Q of open straight slots, full pitch (textbook, from memory)."""
    study = make_study(
        kind="slotted", pole_pairs=50, diameter=2000.0, fill=0.3,
        values={"stator.slots": 300, "stator.tooth_width_mm": 11.0, "stator.slot_opening_mm": 9.92,
                "stator.slot_depth_mm": depth, "stator.tooth_tip_mm": tip,
                "stator.yoke_mm": None},
    )  # fmt: skip
    N, width = 22 * 100, slot_area(study)[1]
    textbook = 12 * MU0 * 12e-3 * N**2 * (depth * 1e-3 / 3 / width + tip / 9.92) / 300
    found = inductances(*solved(study)).slot[0]
    np.testing.assert_allclose(found, textbook, rtol=5e-3)  # slots narrow by 1 % over their depth


@pytest.mark.parametrize(("pairs", "layers"), [(5, 2), (7, 2), (4, 2), (5, 1)])
def test_exact_slots_shared_by_phases(pairs: int, layers: int) -> None:
    """Slot parts of windings go as the mean square of the slots' currents, phases summed."""

    def squares(study: Study) -> float:
        winding, total = winding_of(study), np.zeros(study.stator.slots, dtype=complex)
        for k, letter in enumerate(winding.pattern):
            if letter != "-":
                current = np.exp(-2j * pi / 3 * "ABC".index(letter.upper()))
                current *= 1 if letter.isupper() else -1
                total[k] += current
                total[(k + winding.coil_span) % len(total)] -= current
        return float((np.abs(total) ** 2).sum())

    # Against one slot per pole and phase, where each slot holds one phase.
    base, other = (
        make_study(
            kind="slotted", pole_pairs=p, fill=0.4,
            values={"stator.slots": 12, "winding.layers": n},
        )
        for p, n in ((2, 2), (pairs, layers))
    )  # fmt: skip
    ratio = inductances(*solved(other)).slot[0] / inductances(*solved(base)).slot[0]
    assert ratio == pytest.approx(squares(other) / squares(base), rel=1e-12)


def test_exact_scaling() -> None:
    """Squares of turns in every part; NaN where a slot's depth is not known."""
    study = make_study(kind="slotted", pole_pairs=5, values={"stator.slots": 12})
    more = study.with_values({"winding.turns_per_coil": 44})
    one, two = inductances(*solved(study)), inductances(*solved(more))
    for part in ("gap", "slot", "end", "total"):
        assert getattr(two, part)[0] == pytest.approx(4 * getattr(one, part)[0], rel=1e-12), part
    unknown = study.with_values({"stator.slot_depth_mm": None, "stator.yoke_mm": None})
    assert np.isnan(inductances(*solved(unknown)).slot[0])
    assert inductances(*solved(unknown)).gap[0] == one.gap[0]


def test_published_end_of_one_coil() -> None:
    """Ends of a tooth coil against a thin round loop of their length, mu0 r (ln(8 r/a) - 2).

    Textbook formula (from memory); both are estimates of the same coil, a rough one will do.
    """
    study = machine("outer", "ironless", 0.0, **{"winding.mean_turn_mm": 24.0 + 2 * pi * 8.0})
    equal = 0.2235 * (4.0 + study.stator.winding_thickness_mm)  # mean distance of a rectangle
    loop = MU0 * 8e-3 * (log(8 * 8.0 / equal) - 2)
    found = inductances(*solved(study)).end[0] / 22**2 / 4
    assert found == pytest.approx(loop, rel=0.25)
