"""A flux-density scan of the bare rotor: what it says of the magnets, one by one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from arrayopt.errors import StudyError
from arrayopt.field import ORDERS, AirgapField, solve_field
from arrayopt.field.members import DEVIATIONS, probe_waves
from arrayopt.layout import build_layout
from arrayopt.layout.members import Member, exchange_errors, rotor_members
from arrayopt.measurement.faults import (
    Problem,
    Suspect,
    Wrong,
    find_wrong,
    gaussian_problem,
    hypotheses,
    visible,
    weakest,
)
from arrayopt.measurement.files import Scan
from arrayopt.measurement.instruments import GAUSSMETER
from arrayopt.quantities import MM, Array
from arrayopt.scatter.sources import deviation_of
from arrayopt.study import Study

_OWN = ("along", "across", "radial", "tangential", "turn")  # deviations that a scan may tell
# What the measurement itself may be off by, standard deviations before it is taken.
_HARMONICS = range(2, 22)
_SHARED = {
    "offset": 0.05,  # T
    "remanence": 0.10,  # of all magnets, over what the study counts on
    "gain": GAUSSMETER,
    "turn": 0.02,  # rad, after the pattern has been laid over the scan
    "distance": 0.2 * MM,  # of the probe from where it should be
    "moved x": 0.3 * MM,  # rotor on its turntable, along magnet 1
    "moved y": 0.3 * MM,
    "oval cos": 0.2 * MM,
    "oval sin": 0.2 * MM,
    "sensor": (2 * MM) ** 2,  # width of its element, squared [m2]
    # Of each harmonic over what it should be: corners, coatings and the element's own shape.
    **{f"harmonic {k}": 0.05 for k in _HARMONICS},
}
_SENSOR = 1.5 * MM  # width at which its damping of waves is taken
_SIZES = ("thickness", "width")  # of all magnets together
_LEAST_SAMPLES = 4  # of a pole pair
_FLOOR = 2e-3  # of the fundamental: second order in the deviations
_START = 0.01  # of the fundamental: noise that is taken at first
_ROUNDS = 3
_DIGITS = 11.0  # natural digits of the waves that a scan is made of
_MOST_WAVES = 2000
_SAMPLES = 4000  # more are averaged in groups


@dataclass(frozen=True)
class ScanModel:
    """Waves that a study's bare rotor has where the probe runs.

    Attributes
    ----------
    study : Study
    members : tuple of Member
    waves : ndarray of complex, shape (member, deviation, wave)
        Of every magnet, `_OWN` deviations; the mean first.
    sizes : ndarray of complex, shape (size, wave)
        Of all magnets together, by a metre of `_SIZES`.
    scatter : ndarray, shape (deviation,)
        Standard deviation of each of them by the study's tolerances.
    radius : float
        Of the probe [m].

    """

    study: Study
    members: tuple[Member, ...]
    waves: Array
    sizes: Array
    scatter: Array
    radius: float

    @cached_property
    def perfect(self) -> Array:
        """Waves of the rotor as designed, shape (wave,) [T]."""
        return np.asarray(self.waves[:, 0].sum(axis=0))

    @property
    def fundamental(self) -> complex:
        """Its wave of the pole pairs [T]."""
        return complex(self.perfect[self.study.rotor.pole_pairs])

    @cached_property
    def n(self) -> NDArray[np.int64]:
        """Waves per turn, from none."""
        return np.arange(self.waves.shape[2])

    @cached_property
    def shared(self) -> dict[str, float]:
        """Standard deviation, before the scan, of what all magnets share."""
        size = max(deviation_of(self.study, "size"), 1e-6)
        return _SHARED | dict.fromkeys(_SIZES, size)

    @cached_property
    def variance(self) -> Array:
        """Of all entries before the scan: each deviation of all magnets, then what they share."""
        own = np.repeat(self.scatter, len(self.members))
        return np.concatenate([own, list(self.shared.values())]) ** 2

    @cached_property
    def _patterns(self) -> Array:
        """Waves of the entries that all magnets share, but the offset, shape (entry, wave)."""
        angle = np.array([member.angle for member in self.members])
        p = self.study.rotor.pole_pairs
        lever = 1.5 / np.array([member.centre_radius for member in self.members])
        out, round_, turned = self.waves[:, 2], self.waves[:, 3], self.waves[:, 4]
        damped = np.sinc(self.n * _SENSOR / (2 * np.pi * self.radius)) - 1
        c, s, c2, s2 = np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)
        return np.array([
            self.perfect,
            self.perfect,
            1j * self.n * self.perfect,
            -out.sum(axis=0),
            c @ out - s @ round_,
            s @ out + c @ round_,
            c2 @ out - s2 @ round_ / 2 + (lever * s2) @ turned,
            s2 @ out + c2 @ round_ / 2 - (lever * c2) @ turned,
            self.perfect * damped / _SENSOR**2,
            *(np.where(self.n == k * p, self.perfect, 0) for k in _HARMONICS),
            *self.sizes,
        ])  # fmt: skip

    def at(self, angle: Array) -> tuple[Array, Array]:
        """Return the expected flux density at angles from magnet 1, and its change by every entry.

        Shape (sample,) and (sample, entry) [T].
        """
        E = np.exp(1j * np.outer(angle, self.n))
        own = np.moveaxis(self.waves, 1, 0).reshape(-1, len(self.n))
        rows = (E @ own.T).real
        shared = (E @ self._patterns.T).real
        flat = np.ones((len(angle), 1))
        return shared[:, 0], np.hstack([rows, flat, shared])


def bare_field(study: Study) -> AirgapField:
    """Return the field of a rotor by itself: no stator iron near."""
    alone = study.varied({"stator.kind": "ironless"})
    return solve_field(build_layout(alone), orders=ORDERS)


def scan_radius(study: Study, scan: Scan) -> float:
    """Radius of a scan [m]: its own, or the stator's surface.

    Raises
    ------
    StudyError
        If the probe would be inside the magnets, behind a steel ring, or, with the stator in
        place, not in the airgap.

    """
    layout = build_layout(study)
    radius = study.stator.surface_diameter_mm * MM / 2 if scan.radius is None else scan.radius
    inner, outer = float(layout.inner_radius[0]), float(layout.outer_radius[0])
    told = f"{scan.path}: radius_mm must be"
    if inner - 1e-4 < radius < outer + 1e-4:
        raise StudyError([
            f"{told} outside the magnets ({inner * 1e3:.4g} to {outer * 1e3:.4g} mm); got "
            f"{radius * 1e3:.4g}; give the radius that the probe's sensor ran at"
        ])  # fmt: skip
    surface, gap = float(layout.surface_radius[0]), float(layout.gap_radius[0])
    if scan.stator == "in place" and not min(surface, gap) - 1e-5 <= radius <= max(surface, gap):
        raise StudyError([
            f"{told} in the airgap ({min(surface, gap) * 1e3:.4g} to {max(surface, gap) * 1e3:.4g} "
            f"mm) where the stator is in place; got {radius * 1e3:.4g}; give the radius of the "
            "probe's sensor, or write # stator = absent"
        ])  # fmt: skip
    behind = radius > outer if layout.outer else radius < inner
    if behind and layout.ring_thickness[0] > 0:
        raise StudyError([
            f"{told} on the gap side of a rotor with a steel ring; got {radius * 1e3:.4g}; "
            "scan the side that faces the stator"
        ])  # fmt: skip
    return float(radius)


def scan_model(study: Study, *, radius: float, height: float, in_place: bool = False) -> ScanModel:
    """Compute what a scan at a radius sees of every magnet; the stator in place or not."""
    field = solve_field(build_layout(study), orders=ORDERS) if in_place else bare_field(study)
    layout = field.layout
    apart = max(float(layout.inner_radius[0]) - radius, radius - float(layout.outer_radius[0]))
    wanted = study.rotor.pole_pairs + _DIGITS * radius / apart
    waves = probe_waves(
        field, radius=radius, height=height, waves=int(min(max(wanted, 24), _MOST_WAVES))
    )
    place = float(np.hypot(deviation_of(study, "position"), deviation_of(study, "play")))
    scatter = np.array([
        deviation_of(study, "remanence"), deviation_of(study, "angle"), place, place,
        deviation_of(study, "tilt"),
    ])  # fmt: skip
    least = np.array([2e-3, 2e-3, 1e-5, 1e-5, 2e-3])
    own, sizes = ([DEVIATIONS.index(name) for name in names] for names in (_OWN, _SIZES))
    return ScanModel(
        study, rotor_members(study), waves[:, own], waves[:, sizes].sum(axis=0),
        np.maximum(scatter, least), radius,
    )  # fmt: skip


@dataclass(frozen=True)
class ScanFit:
    """What a scan says.

    Attributes
    ----------
    scan : Scan
    model : ScanModel
    start : float
        Angle of magnet 1 in the scan [rad].
    shared : dict of str to (float, float)
        Value and standard uncertainty of each entry that all magnets share.
    level : tuple of float
        Flux density over the study's, remanence and probe's gain together, and uncertainty.
    magnets : ndarray, shape (member, 2)
        Remanence of each magnet against the mean, and direction of polarisation [1, rad].
    uncertain : ndarray, shape (member, 2)
        Standard uncertainty of that.
    wrong : tuple of Wrong
    seen : ndarray of bool, shape (member,)
        Whether a missing magnet there would have been found.
    weakest : ndarray, shape (member,)
        By how much a magnet there must be weaker to be found, over its remanence.
    noise : float
        Standard deviation of what is left [T].
    amplitude : float
        Fundamental of the study's scan [T].
    angle, measured, fitted : ndarray, shape (sample,)
        From magnet 1 [rad], [T].
    inverted : bool
        The probe counts north as negative, or the scan starts half a pole pair off.

    """

    scan: Scan
    model: ScanModel
    start: float
    shared: dict[str, tuple[float, float]]
    level: tuple[float, float]
    magnets: Array
    uncertain: Array
    wrong: tuple[Wrong, ...]
    seen: NDArray[np.bool_]
    weakest: Array
    noise: float
    amplitude: float
    angle: Array
    measured: Array
    fitted: Array
    inverted: bool


def fit_scan(model: ScanModel, scan: Scan) -> ScanFit:
    """Lay a scan over the study's rotor: start, level, and which magnets are wrong.

    The start is found from the fundamental, then everything else by linear estimates about
    the design (`arrayopt.measurement.faults`), with the noise that is left over taken anew
    each round.

    Raises
    ------
    StudyError
        If the scan has no pole pairs of this rotor in it, or too few readings of each.

    """
    angle, measured = _grouped(scan)
    _fine_enough(model, scan, angle)
    amplitude = abs(model.fundamental)
    start, inverted = _start(model, scan, angle, measured)
    measured = -measured if inverted else measured
    noise = _START * amplitude
    suspects = _suspects(model)
    count = len(model.members)
    wrong: list[Wrong] = []
    scale, offset = 1.0, _place(model, "offset")
    for _ in range(_ROUNDS):
        expected, A = model.at(angle - start)
        # A wrong magnet is as strong or weak as its batch, and is read by the same probe.
        level = scale
        expected, A = level * expected, np.where(np.arange(A.shape[1]) == offset, A, level * A)
        problem = gaussian_problem(measured - expected, A, variance=model.variance, noise=noise)
        wrong = find_wrong(problem, suspects, count)
        u, sd = problem.posterior(_jumps(model, wrong))
        fitted = expected + A @ u
        left = measured - fitted
        used = float(np.sum(model.variance * np.diag(problem.weight)))
        free = max(len(left) - min(used, 0.9 * len(left)), 4)
        noise = max(float(np.sqrt((left**2).sum() / free)), _FLOOR * amplitude)
        start -= float(u[_place(model, "turn")])
        scale = level * (1 + float(u[_place(model, "remanence")] + u[_place(model, "gain")]))
    return _fit(model, scan, problem, wrong, u=u, sd=sd, level=level, start=start, noise=noise,
                amplitude=amplitude, angle=angle - start, measured=measured, fitted=fitted,
                inverted=inverted)  # fmt: skip


def _fit(
    model: ScanModel, scan: Scan, problem: Problem, wrong: Sequence[Wrong], *, u: Array,
    sd: Array, level: float, start: float, noise: float, amplitude: float, angle: Array,
    measured: Array, fitted: Array, inverted: bool,
) -> ScanFit:  # fmt: skip
    count = len(model.members)
    shared = {
        name: (float(u[_place(model, name)]), float(sd[_place(model, name)]))
        for name in model.shared
    }
    both = [_place(model, "remanence"), _place(model, "gain")]
    P = model.variance[both]
    spread = P.sum() - P @ problem.weight[np.ix_(both, both)] @ P
    change = _unprejudiced(float(u[both].sum()), float(spread), before=float(P.sum()))
    found = level * change[0], level * change[1]
    pairs = np.stack([u[:count], u[count : 2 * count]], axis=1)
    return ScanFit(
        scan=scan, model=model, start=start, shared=shared, level=found, magnets=pairs,
        uncertain=np.stack([sd[:count], sd[count : 2 * count]], axis=1), wrong=tuple(wrong),
        seen=visible(problem, count), weakest=weakest(problem, count), noise=noise,
        amplitude=amplitude, angle=angle, measured=measured, fitted=fitted, inverted=inverted,
    )  # fmt: skip


def _unprejudiced(change: float, variance: float, *, before: float) -> tuple[float, float]:
    """Return a level and its standard uncertainty as if nothing had been known before the scan."""
    alone = 1 / max(1 / variance - 1 / before, 1e-6 / before)
    return 1 + change * alone / variance, float(np.sqrt(alone))


def _fine_enough(model: ScanModel, scan: Scan, angle: Array) -> None:
    """Raise StudyError if the scan has too few readings where it has any."""
    p = model.study.rotor.pole_pairs
    seen = len(np.unique(np.floor(angle % (2 * np.pi) / (2 * np.pi) * p)))
    each = len(angle) / max(seen, 1)
    if each < _LEAST_SAMPLES:
        raise StudyError([
            f"{scan.path}: a scan must have at least {_LEAST_SAMPLES} readings in each of the {p} "
            f"pole pairs that it covers; got {each:.3g}; read more angles"
        ])  # fmt: skip


def _place(model: ScanModel, name: str) -> int:
    return len(_OWN) * len(model.members) + list(model.shared).index(name)


def _jumps(model: ScanModel, wrong: Sequence[Wrong]) -> Array:
    count = len(model.members)
    jumps = np.zeros(len(model.variance))
    for one in wrong:
        for member, (along, across) in zip(one.members, one.jumps, strict=True):
            jumps[member] += along
            jumps[count + member] += across
    return jumps


def _suspects(model: ScanModel) -> list[Suspect]:
    rows = model.study.rotor.skew_steps
    count = len(model.members) // rows
    layout = build_layout(model.study)
    pairs = [
        (row * count + i, row * count + (i + 1) % count) for row in range(rows)
        for i in range(count)
    ]  # fmt: skip
    exchanges = {pair: exchange_errors(model.members, layout, *pair) for pair in pairs}
    return hypotheses(exchanges, len(model.members))


def _grouped(scan: Scan) -> tuple[Array, Array]:
    """Return angles, anticlockwise, and flux densities; too many are averaged in groups."""
    angle = -scan.angle if scan.clockwise else scan.angle
    if len(angle) <= _SAMPLES:
        return angle, scan.flux
    order = np.argsort(angle, kind="stable")
    groups = np.array_split(order, _SAMPLES)
    return (
        np.array([angle[g].mean() for g in groups]), np.array([scan.flux[g].mean() for g in groups])
    )  # fmt: skip


def _start(model: ScanModel, scan: Scan, angle: Array, measured: Array) -> tuple[float, bool]:
    """Angle of magnet 1 in the scan: within half a pole pair of its zero; sign of the probe."""
    p = model.study.rotor.pole_pairs
    columns = [np.ones_like(angle)]
    orders = [k for k in (1, 3) if k * p <= model.n[-1]]
    for k in orders:
        columns += [np.cos(k * p * angle), np.sin(k * p * angle)]
    found, *_ = np.linalg.lstsq(np.array(columns).T, measured, rcond=None)
    wave = found[1] - 1j * found[2]
    expected = model.fundamental
    if abs(wave) < 0.05 * abs(expected):
        raise StudyError([
            f"{scan.path}: no {p} pole pairs a turn in this scan; got a wave of "
            f"{abs(wave) * 1e3:.3g} mT where {abs(expected) * 1e3:.3g} mT are expected; check the "
            "columns' units, the pole pairs and the radius"
        ])  # fmt: skip
    turn = -float(np.angle(wave / expected)) / p
    inverted = scan.start == "magnet 1" and abs(turn) > 0.3 * np.pi * 2 / p
    if inverted:
        turn -= np.sign(turn) * np.pi / p
    return turn, inverted
