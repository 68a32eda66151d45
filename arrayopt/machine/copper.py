"""Copper of a phase: mean turn, resistance, slot fill."""

from __future__ import annotations

from math import pi

from arrayopt.machine.winding import winding_of
from arrayopt.quantities import MM
from arrayopt.study.coils import sector_mm, sides_abreast, winding_radii_mm
from arrayopt.study.models import Study

RESISTIVITY = 1 / 58e6  # ohm m at 20 C, IEC 60028
TEMPERATURE_COEFFICIENT = 0.00393  # 1/K about 20 C, IEC 60028


def resistivity(temperature: float) -> float:
    """Resistivity of annealed copper [ohm m] at a temperature [C].

    Examples
    --------
    >>> round(resistivity(20) * 1e8, 4), round(resistivity(120) * 1e8, 4)
    (1.7241, 2.4017)
    """
    return RESISTIVITY * (1 + TEMPERATURE_COEFFICIENT * (temperature - 20))


def copper_section(study: Study) -> float:
    """Copper cross-section of one turn [m2], all strands."""
    return study.winding.strands * pi / 4 * (study.wire_mm[0] * MM) ** 2


def turns_in_series(study: Study) -> float:
    """Return the turns that follow each other in one of a phase's parallel paths."""
    winding = study.winding
    return winding.turns_per_coil * winding_of(study).coils / winding.parallel_paths


def mean_turn(study: Study) -> float:
    """Mean length of one turn [m]: as measured, else estimated.

    A tooth coil is a rounded rectangle that leaves half of its winding width between
    itself and the tooth, or the hole of a coil without slots in the middle of its depth;
    ends of wider coils are taken as half circles over the coil span (common practice, no
    source).
    """
    if study.winding.mean_turn_mm is not None:
        return study.winding.mean_turn_mm * MM
    stator = study.stator
    stack, radius = stator.stack_mm * MM, stator.surface_diameter_mm / 2
    if stator.kind != "slotted":
        radius = sum(winding_radii_mm(study)) / 2
    pitch = sector_mm(study, radius) * MM
    span, layers = winding_of(study).coil_span, study.winding.layers
    if span > 1:
        return 2 * stack + 2 * (pi / 2) * span * pitch
    if stator.kind == "slotted":
        tooth = (stator.tooth_width_mm or 0) * MM
        side = slot_area(study)[1] / layers
    else:
        tooth, side = coil_hole(study, radius * MM), (stator.coil_side_mm or 0) * MM
    return 2 * (stack + tooth) + pi * side


def coil_hole(study: Study, radius: float) -> float:
    """Width of a coil's hole along the circumference at a radius [m], of a study without slots.

    A coil reaches from its sector's border to the next where sides share sectors, else from the
    middle of one side to that of the other.
    """
    sides = sides_abreast(study) * (study.stator.coil_side_mm or 0) * MM
    return winding_of(study).coil_span * sector_mm(study, radius / MM) * MM - sides


def slot_width_at(study: Study, depth: float) -> float:
    """Width of a slot [m] at a depth below its tips [m]; teeth have parallel sides."""
    stator = study.stator
    below = study.tooth_tip_mm * MM + depth
    radius = stator.surface_diameter_mm * MM / 2
    radius -= study.rotor.sign * below
    return 2 * pi * radius / stator.slots - (stator.tooth_width_mm or 0) * MM


def slot_area(study: Study) -> tuple[float | None, float]:
    """Winding space of a slot [m2], None where its depth is not given, and mean width [m].

    Parallel-sided teeth; the winding space begins below the tooth tips. Insulation is
    not taken off.
    """
    depth = (study.stator.slot_depth_mm or 0) * MM
    width = slot_width_at(study, depth / 2)
    return (width * depth if depth else None), width


def slot_fill(study: Study) -> float | None:
    """Copper over winding space; None where the space is not given."""
    stator = study.stator
    copper = study.winding.turns_per_coil * copper_section(study)
    if stator.kind == "slotted":
        area = slot_area(study)[0]
        return None if area is None else study.winding.layers * copper / area
    # Sides that lie on each other share the winding's depth.
    layered = study.winding.layers / sides_abreast(study)
    space = (stator.winding_thickness_mm or 0) * (stator.coil_side_mm or 0) * MM**2
    return layered * copper / space


def wire_fill(study: Study) -> float | None:
    """Enamelled wire, as round as it is, over winding space; None where that is not given."""
    copper, (bare, overall) = slot_fill(study), study.wire_mm
    return None if copper is None else copper * (overall / bare) ** 2


def phase_resistance(study: Study, temperature: float) -> float:
    """Resistance of one phase [ohm] at a temperature [C], without the leads."""
    length = turns_in_series(study) * mean_turn(study)
    return resistivity(temperature) * length / copper_section(study) / study.winding.parallel_paths
