"""The geometry builder: from studies to batches of rotors of one make."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from arrayopt.layout.families import Family, magnet_families
from arrayopt.layout.shapes import Arcs, Blocks, Shapes
from arrayopt.materials import MagnetGrade
from arrayopt.quantities import MM, Array
from arrayopt.study.models import Study
from arrayopt.study.sections import Arc


@dataclass(frozen=True)
class Layout:
    """A batch of rotors with the same families; arrays have shape (design,), SI units.

    Attributes
    ----------
    studies : tuple of Study
        The studies that it was built from, one a design.
    outer : bool
        Magnets outside the stator.
    magnets_per_pole_pair : int
    families : tuple of Family
    shapes : tuple of Blocks or Arcs
        One batch of cross-sections a family.
    grades : tuple of tuple of MagnetGrade
        Per family, per design.
    pole_pairs, surface_radius, gap_radius, length, stack : ndarray
        Pole pairs; stator surface and nearest magnet point [m]; magnet and stack length [m].

    Examples
    --------
    >>> from arrayopt import build_layout, load_study
    >>> layout = build_layout(load_study("studies/ankle/study.toml"))
    >>> len(layout), layout.column(lambda study: study.airgap.length_mm).tolist()
    (1, [1.0])
    >>> [family.name for family in layout.families], layout.members.tolist()
    (['main', 'transverse'], [[32], [32]])

    From the stator outwards: gap, magnets with their corners, clearance, ring.

    >>> surface, inner, outer = layout.surface_radius, layout.inner_radius, layout.outer_radius
    >>> [f"{radius[0] * 1e3:.2f} mm" for radius in (surface, inner, outer, layout.ring_radius)]
    ['43.00 mm', '44.00 mm', '47.04 mm', '47.14 mm']
    >>> sizes = layout.clearance, layout.ring_thickness, layout.least_edge
    >>> [f"{size[0] * 1e3:.1f} mm" for size in sizes]
    ['0.1 mm', '0.0 mm', '2.0 mm']

    Both main magnets of a pole pair add to its fundamental along the radius, the transverse ones
    along the circumference.

    >>> radial, tangential = layout.direction_sums(np.array([1]))
    >>> abs(radial[:, 0]).tolist(), abs(tangential[:, 0]).tolist()
    ([2.0, 0.0], [0.0, 2.0])

    On an outer rotor the polarisation turns a quarter on from each magnet to the next.

    >>> layout.sign, [layout.family_at(place) for place in range(5)]
    (1, [0, 1, 0, 1, 0])
    >>> [round(np.degrees(layout.direction_at(place))) for place in range(5)]
    [0, 90, 180, 270, 0]
    """

    studies: tuple[Study, ...]
    outer: bool
    magnets_per_pole_pair: int
    families: tuple[Family, ...]
    shapes: tuple[Shapes, ...]
    grades: tuple[tuple[MagnetGrade, ...], ...]
    pole_pairs: NDArray[np.int64]
    surface_radius: Array
    gap_radius: Array
    length: Array
    stack: Array

    def __len__(self) -> int:
        return len(self.studies)

    def column(self, value: Callable[[Study], Any]) -> Array:
        """Return one number of every study as an array, shape (design,).

        Parameters
        ----------
        value : callable
            Takes a study and returns the number.

        """
        return np.array([value(study) for study in self.studies], dtype=float)

    @property
    def sign(self) -> int:
        """Way from the gap to the magnets along the radius: 1 is outwards, -1 inwards."""
        return 1 if self.outer else -1

    def family_at(self, place: int) -> int:
        """Return which of the families the magnet at a place of the ring belongs to.

        Parameters
        ----------
        place : int
            Round the ring from a main magnet at 0; any number of turns.

        """
        return self._at[place % self.magnets_per_pole_pair][0]

    def direction_at(self, place: int) -> float:
        """Return the polarisation of the magnet at a place against its own outward radius [rad].

        Parameters
        ----------
        place : int
            Round the ring from a main magnet at 0; any number of turns.

        """
        return self._at[place % self.magnets_per_pole_pair][1]

    @cached_property
    def _at(self) -> tuple[tuple[int, float], ...]:
        """Family and direction by place of a pole pair."""
        found = {
            k: (i, direction)
            for i, family in enumerate(self.families)
            for k, direction in zip(family.places, family.directions, strict=True)
        }
        return tuple(found[k] for k in range(self.magnets_per_pole_pair))

    @cached_property
    def inner_radius(self) -> Array:
        """Nearest magnet point to the shaft [m]."""
        return np.asarray(np.min([shape.inner_radius for shape in self.shapes], axis=0))

    @cached_property
    def outer_radius(self) -> Array:
        """Farthest magnet point from the shaft, block corners included [m]."""
        return np.asarray(np.max([shape.outer_radius for shape in self.shapes], axis=0))

    @cached_property
    def clearance(self) -> Array:
        """Pocket larger than the magnet, each side [m]."""
        return self.column(lambda s: s.rotor.clearance_mm) * MM

    @cached_property
    def ring_thickness(self) -> Array:
        """Steel ring thickness [m]; 0 where there is none."""
        return self.column(lambda s: s.rotor.steel_ring_mm) * MM

    @cached_property
    def ring_radius(self) -> Array:
        """Surface of the steel ring that faces the magnets: their farthest point and clearance."""
        if self.outer:
            return self.outer_radius + self.clearance
        return self.inner_radius - self.clearance

    @cached_property
    def least_edge(self) -> Array:
        """Shortest edge of any magnet [m], arcs at mid-thickness; thin ones break in the hand."""
        sizes = [size for shape in self.shapes for size in (shape.width, shape.thickness)]
        rows = self.column(lambda s: s.rotor.skew_steps)
        return np.asarray(np.min([*sizes, self.length / rows], axis=0))

    @cached_property
    def members(self) -> NDArray[np.int64]:
        """Magnets of each family on one rotor, shape (family, design)."""
        places = np.array([len(family.places) for family in self.families])
        return places[:, None] * self.pole_pairs

    def direction_sums(self, orders: NDArray[np.int64]) -> tuple[Array, Array]:
        """Return the sums over a family's places that turn one magnet's harmonics into the ring's.

        Parameters
        ----------
        orders : ndarray of int, shape (order,)
            Harmonics per pole pair.

        Returns
        -------
        radial, tangential : ndarray, shape (family, order)
            ``sum cos(b) cos(m e)`` and ``-sum sin(b) sin(m e)`` with b the
            polarisation against the radius and e the electrical angle of each place.

        """
        radial, tangential = [], []
        for family in self.families:
            e = 2 * np.pi * np.asarray(family.places) / self.magnets_per_pole_pair
            b = np.asarray(family.directions)
            radial.append(np.cos(b) @ np.cos(np.outer(e, orders)))
            tangential.append(-np.sin(b) @ np.sin(np.outer(e, orders)))
        # Exact zeros let the field kernel leave out what a family's symmetry cancels.
        return np.round(radial, 12), np.round(tangential, 12)


def build_layout(study: Study) -> Layout:
    """Return the layout of one study, a batch of one; fit is checked by `fit_faults`.

    Parameters
    ----------
    study : Study

    Returns
    -------
    Layout
        Arrays of shape (1,), SI units.

    Examples
    --------
    >>> from arrayopt import build_layout, load_study
    >>> layout = build_layout(load_study("studies/ankle/study.toml"))
    >>> for family, shape in zip(layout.families, layout.shapes):
    ...     print(f"{family.name} {shape.width[0] * 1e3:g} x {shape.thickness[0] * 1e3:g} mm")
    main 4 x 3 mm
    transverse 2 x 3 mm
    """
    return build_layouts([study])


def same_make(study: Study) -> tuple[Any, ...]:
    """Return what must be equal for studies to share a batch: families, shapes, kinds of iron."""
    rotor = study.rotor
    families = magnet_families(rotor.magnets_per_pole_pair, outer=rotor.outer)
    shapes = tuple(getattr(rotor, family.table).shape for family in families)
    # Rings of one or two pole pairs have fewer neighbours for recoil than longer ones.
    ring = min(rotor.pole_pairs, 3)
    iron = (study.stator.kind, rotor.steel_ring_mm > 0)  # a ring's field costs extra circles
    return (rotor.position, rotor.magnets_per_pole_pair, ring, shapes, iron)


def by_make(studies: Iterable[tuple[int, Study]]) -> list[list[int]]:
    """Group numbered studies by make, those that may share a batch; each group's numbers."""
    makes: dict[object, list[int]] = {}
    for i, study in studies:
        makes.setdefault(same_make(study), []).append(i)
    return list(makes.values())


def build_layouts(studies: Sequence[Study]) -> Layout:
    """Return the layout of studies of one make (see `same_make`).

    The magnets fill a band that begins one airgap from the stator and is as deep
    as the deepest of them needs; each family touches the side of the band that
    its ``flush`` names.
    """
    first = studies[0]
    outer, M = first.rotor.outer, first.rotor.magnets_per_pole_pair
    families = magnet_families(M, outer=outer)
    magnets = [[getattr(study.rotor, f.table) for study in studies] for f in families]
    surface = np.array([s.stator.surface_diameter_mm for s in studies]) * MM / 2
    gap = np.array([s.airgap.length_mm for s in studies]) * MM
    gap_radius = surface + gap if outer else surface - gap
    shapes = _placed(magnets, gap_radius=gap_radius, outer=outer)
    grades = tuple(
        tuple(s.magnet_grade(m.grade or s.rotor.grade) for m, s in zip(row, studies, strict=True))
        for row in magnets
    )
    return Layout(
        studies=tuple(studies),
        outer=outer,
        magnets_per_pole_pair=M,
        families=families,
        shapes=shapes,
        grades=grades,
        pole_pairs=np.array([s.rotor.pole_pairs for s in studies]),
        surface_radius=surface,
        gap_radius=gap_radius,
        length=np.array([s.rotor_length_mm for s in studies]) * MM,
        stack=np.array([s.stator.stack_mm for s in studies]) * MM,
    )


def _placed(magnets: list[list[Any]], *, gap_radius: Array, outer: bool) -> tuple[Shapes, ...]:
    """Place every family in the band between gap and back."""
    sign = 1 if outer else -1
    fronts, depths = [], []
    for row in magnets:
        depth = np.array([m.thickness_mm for m in row]) * MM
        front = gap_radius
        if not outer and not isinstance(row[0], Arc):
            # The corners of a flat face reach nearest to a stator outside.
            width = np.array([m.width_mm for m in row]) * MM
            front = np.sqrt(np.maximum(gap_radius**2 - width**2 / 4, 0))
        fronts.append(front)
        depths.append(depth)
    back = sign * np.max([sign * f + d for f, d in zip(fronts, depths, strict=True)], axis=0)
    shapes: list[Shapes] = []
    for row, front, depth in zip(magnets, fronts, depths, strict=True):
        slack = sign * (back - front) - depth
        share = np.array([{"gap": 0.0, "centre": 0.5, "back": 1.0}[m.flush] for m in row])
        near = front + sign * share * slack
        far = near + sign * depth
        lo, hi = np.minimum(near, far), np.maximum(near, far)
        if isinstance(row[0], Arc):
            shapes.append(Arcs(lo, hi, np.radians([m.span_deg for m in row])))
        else:
            shapes.append(Blocks(lo, hi, np.array([m.width_mm for m in row]) * MM))
    return tuple(shapes)
