"""Loads on the magnets, and the glue and print that hold them."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isnan, sqrt

import numpy as np

from arrayopt.checks.stresses import band_stress, lip_stress, strip_stress
from arrayopt.layout import Layout
from arrayopt.layout.pockets import Pockets, carrier_ring, family_pockets
from arrayopt.materials import share_left
from arrayopt.quantities import MM, Array
from arrayopt.study import Study

GLUE, SKIN, LIPS = "glue", "skin", "lips"
# Force between a sine field and a sine of current follows sin^2: at its peak twice the mean.
_PEAK_SHARE = 2.0


@dataclass(frozen=True)
class Loads:
    """Loads on a magnet of one row [N], the largest of each kind within a family.

    Attributes
    ----------
    centrifugal : float
        At overspeed; NaN where no speed is known.
    radial : float
        Magnetic, of the member that is pulled most towards the gap; outwards positive.
    tangential, axial : float
        Magnetic, whatever their sense.
    torque : float
        Tangential share of the torque at peak current; NaN where no torque is known.
    to_gap, to_back : float
        Largest sum of magnetic and centrifugal force either way, at rest or at overspeed.

    """

    centrifugal: float
    radial: float
    tangential: float
    axial: float
    torque: float
    to_gap: float
    to_back: float

    @property
    def sideways(self) -> float:
        """Tangential load [N]; torque counts where it is known."""
        return self.tangential + (0.0 if isnan(self.torque) else self.torque)


@dataclass(frozen=True)
class Hold:
    """One part that holds a magnet, with its stress and its strength when warm [Pa]."""

    what: str
    stress: float
    strength: float

    @property
    def safety(self) -> float:
        """Strength over stress; infinite without stress."""
        return self.strength / self.stress if self.stress > 0 else inf


@dataclass(frozen=True)
class Held:
    """A family of magnets: its loads and all that could hold it, the glue first.

    Attributes
    ----------
    family : str
    number : int
        Magnets of it on the rotor, all rows.
    bond_area : float
        Glued faces of one magnet times the share that is bonded [m2].
    loads : Loads
    holds : tuple of Hold

    """

    family: str
    number: int
    bond_area: float
    loads: Loads
    holds: tuple[Hold, ...]

    @property
    def best(self) -> Hold:
        """The strongest of what holds it."""
        return max(self.holds, key=lambda hold: hold.safety)


def held_magnets(
    layout: Layout, family: int, forces: Array, *, speed: float, torque: float, temperature: float
) -> Held:
    """Return the loads on the magnets of a family, and what could hold them.

    Parameters
    ----------
    layout : Layout
        A batch of one.
    family : int
        Place of the family in the layout.
    forces : ndarray, shape (place, 3)
        Magnetic forces as `arrayopt.field.forces.seated_forces` gives them [N].
    speed, torque, temperature : float
        Overspeed [rad/s], torque that all magnets share [N m], of glue and print [C].

    """
    study, shape = layout.studies[0], layout.shapes[family]
    loads = _loads(layout, family, forces, speed=speed, torque=torque)
    pockets = family_pockets(layout, carrier_ring(layout), family)
    backed = _backed(layout, pockets)
    area = bond_area(layout, family)
    # Without print or ring behind it a magnet hangs on its glue both ways.
    radial = loads.to_gap if backed else max(loads.to_gap, loads.to_back)
    stress = sqrt(radial**2 + loads.sideways**2 + loads.axial**2) / area
    glue = study.adhesive(study.strength.adhesive).strength_at(temperature)
    holds = [Hold(GLUE, stress, glue)]
    what, front = _front(pockets)
    if what and backed and loads.to_gap > 0:
        load = loads.to_gap / (float(layout.length[0]) / study.rotor.skew_steps)
        width = float(shape.width[0]) + 2 * float(layout.clearance[0])
        if what == LIPS:
            stress = lip_stress(load, reach=(study.carrier.lip_mm or 0.0) * MM, thickness=front)
        elif layout.outer:
            stress = strip_stress(load, width=width, thickness=front)
        else:
            stress = band_stress(
                load / width,
                radius=float(layout.gap_radius[0]) + study.carrier.skin_mm * MM - front / 2,
                thickness=front,
                density=study.plastic(study.carrier.material).density,
                speed=0.0 if isnan(speed) else speed,
            )
        holds.append(Hold(what, stress, print_strength(study, temperature)))
    members = int(layout.members[family, 0]) * study.rotor.skew_steps
    return Held(layout.families[family].name, members, area, loads, tuple(holds))


def bond_area(layout: Layout, family: int) -> float:
    """Area [m2] of one magnet that glue holds: sides, back and end, times the bonded share.

    The back counts where print or ring is behind it, the end where a floor is under every
    magnet of the family, so not with several rows.
    """
    study, shape = layout.studies[0], layout.shapes[family]
    length = float(layout.length[0]) / study.rotor.skew_steps
    area = 2 * float(shape.thickness[0]) * length
    if _backed(layout, family_pockets(layout, carrier_ring(layout), family)):
        area += float(shape.width[0]) * length
    if study.carrier.floor_mm > 0 and study.rotor.skew_steps == 1:
        area += float(shape.area[0])
    return area * study.strength.bonded_share


def print_strength(study: Study, temperature: float) -> float:
    """Strength of the print along its layers [Pa] at a temperature [C].

    Half of it is left at the plastic's service temperature (common practice, no source).
    Layers lie square to the shaft, so that their lines run round the ring.
    """
    plastic = study.plastic(study.carrier.material)
    return plastic.strength_along * share_left(temperature, half_at=plastic.service_temperature)


def _backed(layout: Layout, pockets: Pockets) -> bool:
    """Tell whether print or steel is behind a magnet."""
    return bool(layout.ring_thickness[0] > 0 or pockets.backed[0])


def _front(pockets: Pockets) -> tuple[str, float]:
    """Return what of the print is in front of a magnet, empty for nothing, and how thick [m]."""
    what = SKIN if pockets.closed[0] else LIPS if pockets.lipped[0] else ""
    return what, float(pockets.front[0]) if what else 0.0


def _loads(layout: Layout, family: int, forces: Array, *, speed: float, torque: float) -> Loads:
    """Return the loads on one magnet of a family."""
    shape, rows = layout.shapes[family], layout.studies[0].rotor.skew_steps
    mass = float(shape.area[0] * layout.length[0]) / rows * layout.grades[family][0].density
    centre = float(shape.lo[0] + shape.hi[0]) / 2
    centrifugal = mass * speed**2 * centre
    own = forces[list(layout.families[family].places)]
    gap = -layout.sign  # sense of a force towards the gap
    radial = own[:, 0]
    turning = radial if isnan(centrifugal) else np.concatenate([radial, radial + centrifugal])
    count = int(layout.members[:, 0].sum()) * rows
    return Loads(
        centrifugal=centrifugal,
        radial=float(radial[np.argmax(gap * radial)]),
        tangential=float(np.abs(own[:, 1]).max()),
        axial=float(np.abs(own[:, 2]).max()),
        torque=_PEAK_SHARE * torque / centre / count,
        to_gap=float(max(0.0, (gap * turning).max())),
        to_back=float(max(0.0, (-gap * turning).max())),
    )
