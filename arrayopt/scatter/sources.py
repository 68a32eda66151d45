"""Where rotors differ from their drawing: each source of scatter, drawn for many rotors."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from arrayopt.field import AirgapField
from arrayopt.field.members import DEVIATIONS, MemberField, member_field
from arrayopt.layout import Layout, build_layout
from arrayopt.layout.members import exchange_errors
from arrayopt.machine.linkage import seen_radii
from arrayopt.machine.waves import wave_linkages
from arrayopt.quantities import MM, Array
from arrayopt.study import Study

# Names of the sources, in the order of tables and pictures, with what they are called there.
SOURCES = {
    "remanence_batch": "Remanence, batch to batch",
    "temperature": "Magnet temperature",
    "airgap": "Airgap",
    "remanence": "Remanence, magnet to magnet",
    "angle": "Direction of polarisation",
    "size": "Magnet sizes",
    "position": "Places of the pockets",
    "play": "Play in the pockets",
    "tilt": "Tilt in the pockets",
    "eccentricity": "Ring off its shaft",
    "oval": "Oval ring",
    "off_centre": "Shaft off the stator",
    "mistakes": "Missing, flipped, swapped",
}
_CUT = 3.0  # standard deviations; farther ones are rejects
_PLANE = 2.4477  # standard deviations that 19 of 20 pairs of normal numbers lie within
_OF = {name: i for i, name in enumerate(DEVIATIONS)}


@dataclass(frozen=True)
class Ring:
    """One rotor: its study, field, and what every magnet adds to it."""

    study: Study
    layout: Layout
    field: AirgapField
    magnets: MemberField

    @cached_property
    def linkages(self) -> Array:
        """Linkage of each phase per wave that the winding sees, (phase, wave) [m]."""
        return wave_linkages(self.layout, self.magnets.waves)

    @cached_property
    def family_of(self) -> Array:
        """Index of each magnet's family, shape (member,)."""
        names = [family.name for family in self.layout.families]
        return np.array([names.index(member.family) for member in self.magnets.members])

    def neighbour(self, i: int) -> int:
        """Return the index of the magnet anticlockwise of one, in its row."""
        count = len(self.magnets.members) // self.study.rotor.skew_steps
        return i // count * count + (i + 1) % count

    def responses(self, deviation: str) -> Array:
        """Return what a deviation of each magnet adds, (member, part); see `parts`."""
        m, i = self.magnets, _OF[deviation]
        rows = self.study.rotor.skew_steps
        N = len(m.waves)
        flat = np.zeros((len(m.members), (rows + 1) * N), dtype=complex)
        # Each magnet stands in one row, which has its field to itself.
        for k, member in enumerate(m.members):
            at = (member.row - 1) * N
            flat[k, at : at + N] = m.surface[k, i] * rows
        flat[:, rows * N :] = m.seen[:, i]
        return flat

    def parts(self, flat: Array) -> tuple[Array, Array]:
        """Return surface waves row by row, (..., row, wave), and as the winding sees them.

        Shape (..., wave), [T] and [T m]; the mean over the rows of a skewed rotor is what
        `MemberField.surface` adds up to.
        """
        N = len(self.magnets.waves)
        rows = flat[..., :-N]
        return rows.reshape(*rows.shape[:-1], -1, N), flat[..., -N:]

    @cached_property
    def perfect(self) -> Array:
        """All parts of the rotor as designed, shape (part,)."""
        return np.asarray(self.responses("along").sum(axis=0))

    def pattern(self, *, radial: Array, tangential: Array, turn: Array | None = None) -> Array:
        """Return the parts of magnets all moved, and turned, in a pattern, (part,) [per m]."""
        found = radial @ self.responses("radial") + tangential @ self.responses("tangential")
        return np.asarray(found if turn is None else found + turn @ self.responses("turn"))

    @cached_property
    def moved(self) -> Array:
        """Parts of the rotor moved a metre along magnet 1, and square to it; (2, part)."""
        angle = self.magnets.angles
        c, s = np.cos(angle), np.sin(angle)
        ways = [self.pattern(radial=c, tangential=-s), self.pattern(radial=s, tangential=c)]
        return np.array(ways) + self._of_steel(1)

    @cached_property
    def oval(self) -> Array:
        """Parts of a ring whose radius is a metre larger along magnet 1, and 45 degrees off it.

        A ring that keeps its length: magnets move round by half of what they move out, and turn
        with its slope (derived).
        """
        angle = self.magnets.angles
        radius = np.array([member.centre_radius for member in self.magnets.members])
        c, s = np.cos(2 * angle), np.sin(2 * angle)
        ways = [
            self.pattern(radial=c, tangential=-s / 2, turn=1.5 * s / radius),
            self.pattern(radial=s, tangential=c / 2, turn=-1.5 * c / radius),
        ]
        return np.array(ways) + self._of_steel(2)

    def _of_steel(self, k: int) -> Array:
        """Parts that a steel ring moved (k = 1) or oval (2) adds, for a winding on the surface too.

        A row turned by an angle sees the ring turned back by it, and its waves are turned on.
        """
        n, rotor = self.magnets.waves, self.study.rotor
        x, y = self.magnets.ring_parts[2 * k - 2 : 2 * k]
        rows = []
        for row in range(rotor.skew_steps):
            turn = row * np.radians(rotor.skew_step_deg)
            one = np.exp(-1j * (n + k) * turn) * (x - 1j * y) / 2
            other = np.exp(-1j * (n - k) * turn) * (x + 1j * y) / 2
            rows.append(np.array([one + other, 1j * (one - other)]))
        seen = np.mean(rows, axis=0) * self.layout.surface_radius[0]
        return np.concatenate([*rows, seen], axis=1)


def wave_count(study: Study) -> int:
    """Return the most waves per turn that the figures of a scattered rotor need."""
    p, slots = study.rotor.pole_pairs, study.stator.slots
    return max(7 * p, 2 * slots + 5 * p, 24)


def study_ring(study: Study, field: AirgapField) -> Ring:
    """Return a study's rotor with the waves of all its magnets."""
    layout = field.layout
    radii, weights = seen_radii(layout)
    seen = np.column_stack([radii[:, 0], weights])
    magnets = member_field(field, waves=wave_count(study), winding=seen)
    return Ring(study, layout, field, magnets)


@dataclass
class Drawn:
    """What one source, or several added up, does to some rotors.

    Attributes
    ----------
    waves : ndarray of complex, shape (rotor, part)
        Added to the perfect ring's, parts as in `Ring.parts`.
    radial : ndarray, shape (rotor, member) or broadcast
        Magnets' faces to the gap moved outwards [m].
    stator : ndarray of complex, shape (rotor,)
        Stator's axis off the shaft, real part along magnet 1 at rest [m].

    """

    waves: Array
    radial: Array = field(default_factory=lambda: np.zeros((1, 1)))
    stator: Array = field(default_factory=lambda: np.zeros(1, dtype=complex))


def active_sources(study: Study) -> tuple[str, ...]:
    """Return the sources that a study's tolerances leave to scatter."""
    return tuple(name for name in SOURCES if limit_of(study, name) > 0)


def draw(ring: Ring, source: str, count: int, rng: np.random.Generator) -> Drawn:
    """Draw one source for some rotors."""
    draws = _Draws(ring, count, rng, ring.study.tolerance.distribution == "uniform")
    limit = limit_of(ring.study, source)
    return _DRAWERS[source](draws, limit)


def limit_of(study: Study, source: str) -> float:
    """Return the limit of a source in SI units, nothing where it does not scatter."""
    t = study.tolerance
    if source == "remanence_batch":
        return float(np.max(batch_limits(study)))
    if source == "mistakes":
        return t.missing_percent + t.flipped_percent + t.swapped_percent
    limits = {
        "temperature": t.temperature_k,
        "airgap": t.airgap_mm * MM,
        "remanence": t.remanence_percent / 100,
        "angle": np.radians(_else(t.angle_deg, study.order.angle_tolerance_deg)),
        "size": _else(t.size_mm, study.order.size_tolerance_mm) * MM,
        "position": t.position_mm * MM,
        "play": _else(t.play_mm, study.rotor.clearance_mm) * MM,
        "tilt": np.radians(t.tilt_deg),
        "eccentricity": t.eccentricity_mm * MM,
        "oval": t.oval_mm * MM,
        "off_centre": t.off_centre_mm * MM,
    }
    return float(limits[source])


def batch_limits(study: Study) -> Array:
    """Return by how much each family's batch may be off in remanence: as given, or the grade's."""
    given = study.tolerance.remanence_batch_percent
    layout = build_layout(study)
    if given is not None:
        return np.full(len(layout.families), given / 100)
    rows = [grades[0] for grades in layout.grades]
    return np.array([(g.remanence_max - g.remanence_min) / 2 / g.remanence for g in rows])


def batch_centres(study: Study) -> Array:
    """Return where each family's batches lie about, against the remanence that is counted on.

    The middle of the grade's range, so that a study that counts on the minimum is exceeded.
    """
    layout = build_layout(study)
    if study.tolerance.remanence_batch_percent is not None:
        return np.zeros(len(layout.families))
    rows = [grades[0] for grades in layout.grades]
    return np.array([(g.remanence_max + g.remanence_min) / 2 / g.remanence - 1 for g in rows])


def deviation_of(study: Study, source: str) -> float:
    """Return the standard deviation of a source in SI units."""
    uniform = study.tolerance.distribution == "uniform"
    return limit_of(study, source) / (np.sqrt(3) if uniform else 2)


def without_mistakes(study: Study, *, rotors: int | None = None) -> Study:
    """Return the study whose rotors have every magnet in and the right way round."""
    shares = ("missing_percent", "flipped_percent", "swapped_percent")
    values: dict[str, float] = {f"tolerance.{name}": 0.0 for name in shares}
    count = study.tolerance.rotors if rotors is None else rotors
    return study.varied({**values, "tolerance.rotors": count})


def _else(value: float | None, default: float) -> float:
    return default if value is None else value


@dataclass(frozen=True)
class _Draws:
    """Some rotors of one ring, and the random numbers that they are drawn with."""

    ring: Ring
    count: int
    rng: np.random.Generator
    uniform: bool

    def numbers(self, limit: float, width: int) -> Array:
        """Return numbers about zero, (rotor, width): 19 of 20 within the limit, or all even."""
        if self.uniform:
            return self.rng.uniform(-limit, limit, (self.count, width))
        normal = self.rng.standard_normal((self.count, width))
        return np.asarray(np.clip(normal, -_CUT, _CUT) * (limit / 2))

    def each(self, limit: float) -> Array:
        """Return a number for every magnet of every rotor."""
        return self.numbers(limit, len(self.ring.magnets.members))

    def plane(self, limit: float) -> Array:
        """Return complex numbers, shape (rotor,): 19 of 20 in a circle, or evenly all over it."""
        if self.uniform:
            radius = limit * np.sqrt(self.rng.uniform(0, 1, self.count))
            return np.asarray(radius * np.exp(2j * np.pi * self.rng.uniform(0, 1, self.count)))
        pair = np.clip(self.rng.standard_normal((2, self.count)), -_CUT, _CUT) * (limit / _PLANE)
        return np.asarray(pair[0] + 1j * pair[1])

    def waves(self, **deviations: Array) -> Array:
        """Return waves of magnets that each deviate; shape (rotor, part)."""
        total: Array = np.zeros(1)
        for name, values in deviations.items():
            # Complex responses as pairs of real numbers: half the work of a complex product.
            response = self.ring.responses(name)
            total = total + (values @ response.view(float)).view(complex)
        return total


def _batch(draws: _Draws, limit: float) -> Drawn:
    shares = batch_limits(draws.ring.study) / limit
    response = draws.ring.responses("along")
    families = [response[draws.ring.family_of == f].sum(axis=0) for f in range(len(shares))]
    # Magnets of one grade come from one batch, whatever their size.
    grades = [rows[0].name for rows in draws.ring.layout.grades]
    kinds = sorted(set(grades))
    off = draws.numbers(limit, len(kinds))[:, [kinds.index(g) for g in grades]] * shares
    off = off + batch_centres(draws.ring.study)
    return Drawn(off @ np.array(families))


def _temperature(draws: _Draws, limit: float) -> Drawn:
    response, layout = draws.ring.responses("along"), draws.ring.layout
    warm = draws.ring.study.rotor.magnet_temperature_c
    slopes = [g[0].remanence_coefficient * g[0].remanence / g[0].remanence_at(warm)
              for g in layout.grades]  # fmt: skip
    per_kelvin = np.array(slopes)[draws.ring.family_of] @ response
    return Drawn(draws.numbers(limit, 1) * per_kelvin)


def _airgap(draws: _Draws, limit: float) -> Drawn:
    off = draws.numbers(limit, 1)
    every = np.ones(len(draws.ring.magnets.members))
    return Drawn(off * draws.ring.pattern(radial=every, tangential=0 * every), radial=off)


def _remanence(draws: _Draws, limit: float) -> Drawn:
    return Drawn(draws.waves(along=draws.each(limit)))


def _angle(draws: _Draws, limit: float) -> Drawn:
    off = draws.each(limit)
    return Drawn(draws.waves(along=np.cos(off) - 1, across=np.sin(off)))


def _size(draws: _Draws, limit: float) -> Drawn:
    thickness, width, length = (draws.each(limit) for _ in range(3))
    outwards = -draws.ring.layout.sign * thickness / 2
    waves = draws.waves(thickness=thickness, width=width, length=length)
    return Drawn(waves, radial=outwards)


def _position(draws: _Draws, limit: float) -> Drawn:
    radial, tangential = draws.each(limit), draws.each(limit)
    return Drawn(draws.waves(radial=radial, tangential=tangential), radial=radial)


def _tilt(draws: _Draws, limit: float) -> Drawn:
    return Drawn(draws.waves(turn=draws.each(limit)))


def _eccentricity(draws: _Draws, limit: float) -> Drawn:
    moved, angle = draws.plane(limit), draws.ring.magnets.angles
    pairs = np.stack([moved.real, moved.imag], axis=1)
    return Drawn(pairs @ draws.ring.moved, radial=pairs @ np.array([np.cos(angle), np.sin(angle)]))


def _oval(draws: _Draws, limit: float) -> Drawn:
    shape, angle = draws.plane(limit), 2 * draws.ring.magnets.angles
    pairs = np.stack([shape.real, shape.imag], axis=1)
    return Drawn(pairs @ draws.ring.oval, radial=pairs @ np.array([np.cos(angle), np.sin(angle)]))


def _off_centre(draws: _Draws, limit: float) -> Drawn:
    nothing = np.zeros((1, len(draws.ring.perfect)), dtype=complex)
    return Drawn(nothing, stator=draws.plane(limit))


def _mistakes(draws: _Draws, _: float) -> Drawn:
    """Missing, flipped and swapped magnets, each by its share."""
    t, ring = draws.ring.study.tolerance, draws.ring
    luck = draws.rng.uniform(0, 100, (draws.count, len(ring.magnets.members)))
    side = draws.rng.uniform(0, 1, luck.shape)
    along, across = np.zeros(luck.shape), np.zeros(luck.shape)
    missing = luck < t.missing_percent
    flipped = (luck >= t.missing_percent) & (luck < t.missing_percent + t.flipped_percent)
    along[missing], along[flipped] = -1.0, -2.0
    # A share of the magnets counts as swapped; each exchange takes two.
    last = t.missing_percent + t.flipped_percent
    swapped = (luck >= last) & (luck < last + t.swapped_percent / 2)
    for rotor, i in zip(*np.nonzero(swapped), strict=True):
        j = ring.neighbour(int(i))
        ways = exchange_errors(ring.magnets.members, ring.layout, int(i), j)
        for k, error in zip((i, j), ways[int(side[rotor, i] * len(ways))], strict=True):
            along[rotor, k], across[rotor, k] = np.cos(error) - 1, np.sin(error)
    return Drawn(draws.waves(along=along, across=across))


_DRAWERS = {
    "remanence_batch": _batch,
    "temperature": _temperature,
    "airgap": _airgap,
    "remanence": _remanence,
    "angle": _angle,
    "size": _size,
    "position": _position,
    "play": _position,
    "tilt": _tilt,
    "eccentricity": _eccentricity,
    "oval": _oval,
    "off_centre": _off_centre,
    "mistakes": _mistakes,
}
