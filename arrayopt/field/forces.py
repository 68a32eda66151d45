"""Forces on magnets: in the finished motor, and on one that is pushed into a half-filled ring.

The force on a magnet is the field of all others over its charged faces. Magnets act in pairs,
so one table of pairs serves every order of assembly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from arrayopt.field.images import ring_sources
from arrayopt.field.kernel import AirgapField
from arrayopt.field.sheets import Sheets, joined, magnet_sheets, sheet_fields
from arrayopt.layout import Layout
from arrayopt.layout.shapes import gauss_points
from arrayopt.quantities import MU0, Array

# Gauss points along a flat face, along a chord of an arc, and along each part of the length.
# Against half as many more: 2e-4 of the largest force at walls of 0.3 mm, arcs too.
_ACROSS, _CHORD, _ALONG = 12, 2, 8
_CHUNK = 1 << 17  # field values worked on at once
# Arcs so many places away have coarser chords, and near ones coarser than the field inside
# magnets needs: 0.1 % of the largest force.
_NEAR, _SAG = 1, 1e-3


@dataclass(frozen=True)
class PairForces:
    """Forces of single magnets on one that is lifted out of its seat.

    Attributes
    ----------
    lifts : ndarray, shape (lift,)
        Heights of the magnet above its seat, towards the open side [m].
    pairs : ndarray, shape (place, row, offset, lift, 3)
        Force on the magnet at a place of the pole pair from one that sits as many places on
        (anticlockwise seen from the open side) and as many rows below [N]; parts along the
        outward radius, the circumference (anticlockwise) and the shaft (towards the open
        side) of the lifted one. Zero where both are the same magnet.
    ring : ndarray, shape (place, lift, 3)
        Force of the steel ring alone [N]; zero without one.

    """

    lifts: Array
    pairs: Array
    ring: Array


def pair_forces(layout: Layout, *, lifts: Array) -> PairForces:
    """Return the forces between the magnets of a layout of one design, without a stator.

    Magnets have their remanence at 20 C and no recoil, which reads a few percent high. A steel
    ring is there from the start, as long as the magnets; it mirrors each of them (exact for a
    long ring in two dimensions, an estimate at its ends).

    Parameters
    ----------
    layout : Layout
        A batch of one.
    lifts : ndarray, shape (lift,)
        Heights above the seat [m], along the shaft.

    References
    ----------
    Coulomb's law between charged faces, as Akoun & Yonnet 1984, IEEE Trans. Magn. 20:1962
    integrate it for parallel blocks.

    """
    M, rows = layout.magnets_per_pole_pair, layout.studies[0].rotor.skew_steps
    count = int(layout.pole_pairs[0]) * M
    length = float(layout.length[0]) / rows
    pairs = np.zeros((M, rows, count, len(lifts), 3))
    ring = np.zeros((M, len(lifts), 3))
    step = np.radians(layout.studies[0].rotor.skew_step_deg)
    for place in range(M):
        target = _Target.of(_magnet(layout, place, 0.0, length / 2, near=True))
        for row in range(rows):
            magnets = [
                _magnet(layout, place + offset, _turn(offset, count) - row * step, length / 2,
                        near=min(offset, count - offset) <= _NEAR)
                for offset in range(0 if row else 1, count)
            ]  # fmt: skip
            if layout.ring_thickness[0]:
                magnets = [_with_image(layout, magnet) for magnet in magnets]
            # The lower row is a whole length below.
            found = target.forces(magnets, lifts + row * length)
            pairs[place, row, 0 if row else 1 :] = found
        if layout.ring_thickness[0]:
            ring[place] = [_ring_force(layout, target, place, length, lift) for lift in lifts]
    return PairForces(lifts, pairs, ring)


def seated_forces(layout: Layout, field: AirgapField) -> Array:
    """Force on every magnet of a pole pair in the finished motor at rest without current.

    Rows of a skewed rotor are taken as one magnet, slots as a smooth surface moved back by
    what Carter's coefficient adds; the pull under a tooth is somewhat larger.

    Parameters
    ----------
    layout, field
        A batch of one.

    Returns
    -------
    ndarray, shape (place, 3)
        Along the outward radius, the circumference and the shaft of each magnet [N].

    """
    half = float(layout.length[0]) / 2
    still = np.zeros(1)
    forces = np.zeros((layout.magnets_per_pole_pair, 3))
    for place in range(layout.magnets_per_pole_pair):
        magnet = _magnet(layout, place, 0.0, half, near=True, field=field)
        near, far = ring_sources(layout, field, place, itself=False)
        forces[place] = _Target.of(magnet).forces([*near, *far], still).sum(axis=0)[0]
    return forces


def _turn(offset: int, count: int) -> float:
    return 2 * np.pi * offset / count


def _magnet(
    layout: Layout,
    k: int,
    turn: float,
    half: float,
    *,
    near: bool,
    field: AirgapField | None = None,
) -> Sheets:
    """Charged faces of the magnet at place k, turned about the shaft; neutral ones left out."""
    index = layout.family_at(k)
    J = layout.grades[index][0].remanence
    if field is not None:
        J = float(field.polarisation[index, 0])
    b = layout.direction_at(k) + turn
    sheets = magnet_sheets(
        layout.shapes[index],
        turn,
        J * np.array([np.cos(b), np.sin(b)]),
        half,
        pieces=1,
        sag=_SAG if near else None,
    )
    return _charged(sheets)


def _charged(sheets: Sheets) -> Sheets:
    """Leave out faces along the polarisation."""
    some = np.abs(sheets.charge) > 1e-9 * np.abs(sheets.charge).max()
    return Sheets(sheets.start[:, some], sheets.end[:, some], sheets.charge[some], sheets.half)


def _with_image(layout: Layout, magnet: Sheets) -> Sheets:
    image = magnet.reflected(float(layout.ring_radius[0]), magnet.half)
    return joined([magnet, image])[0]


def _ring_force(layout: Layout, target: _Target, place: int, length: float, lift: float) -> Array:
    """Force of a magnet's own image in the ring: the part of it that is beside the ring."""
    beside = (length - lift) / 2
    if beside <= 0:
        return np.zeros(3)
    magnet = _magnet(layout, place, 0.0, beside, near=True)
    image = magnet.reflected(float(layout.ring_radius[0]), beside)
    # The image's middle is half the lift below that of the magnet.
    return np.asarray(target.forces([image], np.array([lift / 2]))[0, 0])


@dataclass(frozen=True)
class _Target:
    """Points on the charged faces of a magnet at angle zero."""

    points: Array  # (2, point)
    charge: Array  # per length along the shaft, over mu0, of each point [A]
    half: float

    @classmethod
    def of(cls, magnet: Sheets) -> _Target:
        """Spread Gauss points over the faces."""
        sizes = np.hypot(*(magnet.end - magnet.start))
        points, charge = [], []
        for start, end, size, q in zip(
            magnet.start.T, magnet.end.T, sizes, magnet.charge, strict=True
        ):
            share, weight = gauss_points(_ACROSS if size > sizes.max() / 4 else _CHORD)
            points.append(start[:, None] + (end - start)[:, None] * (1 + share) / 2)
            charge.append(q * weight / 2 / MU0)
        return cls(np.concatenate(points, axis=1), np.concatenate(charge), magnet.half)

    def forces(self, magnets: list[Sheets], lifts: Array) -> Array:
        """Force from each magnet at each lift, shape (magnet, lift, 3) [N]."""
        found = np.zeros((len(magnets), len(lifts), 3))
        for half in {magnet.half for magnet in magnets}:
            same = [i for i, magnet in enumerate(magnets) if magnet.half == half]
            owner = np.repeat(same, [len(magnets[i].charge) for i in same])
            sheets = joined([magnets[i] for i in same])[0]
            heights, lengths = self._heights(lifts, half)
            values = self.points.shape[1] * heights.size
            step = max(_CHUNK // values, 1)
            for at in range(0, len(owner), step):
                some = sheets.some(slice(at, at + step))
                B = sheet_fields(some, self.points, heights.ravel())
                B = B.reshape(*B.shape[:3], *heights.shape)
                part = np.einsum("csplz,p,lz->slc", B, self.charge, lengths)
                np.add.at(found, owner[at : at + step], part)
        return found

    def _heights(self, lifts: Array, half: float) -> tuple[Array, Array]:
        """Heights along the faces and the length that each stands for, shape (lift, height).

        Where the others end beside the magnet, their field changes over a wall's width: the
        faces are cut there.
        """
        low, high = lifts - self.half, lifts + self.half
        cut = np.clip(half, low, high)
        u, w = gauss_points(_ALONG)
        parts = [(low, cut), (cut, high)]
        # A part of no length must not sit on an edge of the others, where the field has no limit.
        middle = [np.where(b > a, (a + b) / 2, lifts) for a, b in parts]
        z = [
            m[:, None] + ((b - a) / 2)[:, None] * u for m, (a, b) in zip(middle, parts, strict=True)
        ]
        lengths = [((b - a) / 2)[:, None] * w for a, b in parts]
        return np.hstack(z), np.hstack(lengths)
