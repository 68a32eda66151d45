"""Rules between sizes, counts and lengths: those that a search's values can break.

Written as those of `arrayopt.study.rules`.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import floor, pi
from typing import Any

from arrayopt.study.coils import sector_mm, sides_abreast, winding_radii_mm
from arrayopt.study.models import Study, relevant_magnets


def size_contradictions(study: Study) -> list[str]:
    """Return the faults that a change of sizes, counts and lengths alone can bring."""
    return [fault for rule in SIZE_RULES for fault in rule(study)]


def _skew(study: Study) -> Iterator[str]:
    rotor = study.rotor
    if (rotor.skew_steps > 1) != (rotor.skew_step_deg > 0):
        yield (
            "rotor.skew_steps and rotor.skew_step_deg go together; got "
            f"{rotor.skew_steps} and {rotor.skew_step_deg:g}; give more than one step and the "
            "angle between two, or neither"
        )


def _slot_pitch(study: Study) -> Iterator[str]:
    stator = study.stator
    pitch = pi * stator.surface_diameter_mm / stator.slots
    for name in ("slot_opening_mm", "tooth_width_mm"):
        value = getattr(stator, name)
        if value is not None and value >= pitch:
            yield (
                f"stator.{name} must be smaller than the slot pitch of {pitch:.2f} mm; "
                f"got {value:g}; make it narrower or use fewer slots"
            )
    opening, tooth = stator.slot_opening_mm, stator.tooth_width_mm
    if opening is not None and tooth is not None and max(opening, tooth) < pitch < opening + tooth:
        yield (
            f"stator.slot_opening_mm: opening and tooth share a slot pitch of {pitch:.2f} mm, so "
            f"at most {pitch - tooth:.2f} is possible; got {opening:g}; make it narrower"
        )


def _coil_side(study: Study) -> Iterator[str]:
    stator = study.stator
    side, thickness = stator.coil_side_mm, stator.winding_thickness_mm
    if side is None or thickness is None or stator.kind == "slotted":
        return
    # Straight sides meet where sectors are narrowest.
    inner, abreast = winding_radii_mm(study)[0], sides_abreast(study)
    room = sector_mm(study, inner)
    if inner > 0 and side > room / abreast:
        share = "two sides share" if abreast == 2 else "one side takes"
        yield (
            f"stator.coil_side_mm: {share} a sector of {room:.2f} mm at the winding's inner face, "
            f"{inner:g} mm from the shaft, so at most {_floored(room / abreast)} is possible; got "
            f"{side:g}; make it narrower"
        )


def _floored(size: float) -> str:
    """Return a size with two decimals that is not larger than it."""
    return f"{floor(size * 100) / 100:.2f}"


def _slot_depth(study: Study) -> Iterator[str]:
    stator, depth = study.stator, study.stator.slot_depth_mm
    if depth is None:
        return
    radius = stator.surface_diameter_mm / 2
    tip = study.tooth_tip_mm
    bottom = radius - tip - depth if study.rotor.outer else radius + tip
    if bottom <= 0:
        yield (
            f"stator.slot_depth_mm must be smaller than the radius of {radius:g} mm less the tips "
            f"of {tip:g} mm; got {depth:g}; make the slots shallower"
        )
    elif stator.tooth_width_mm is not None and 2 * pi * bottom / stator.slots <= (
        stator.tooth_width_mm
    ):
        room = 2 * pi * bottom / stator.slots
        yield (
            f"stator.tooth_width_mm: at the slot bottom only {room:.2f} mm of pitch are left for "
            f"tooth and slot; got {stator.tooth_width_mm:g}; narrow the tooth or make "
            "stator.slot_depth_mm smaller"
        )


def _yoke(study: Study) -> Iterator[str]:
    stator, yoke = study.stator, study.stator.yoke_mm
    if yoke is None or not study.rotor.outer:
        return
    slot = (stator.slot_depth_mm or 0) + study.tooth_tip_mm if stator.kind == "slotted" else 0
    room = stator.surface_diameter_mm / 2 - slot
    if yoke >= room > 0:
        yield (
            f"stator.yoke_mm must be smaller than the {room:g} mm left inside the slots; "
            f"got {yoke:g}; make it thinner"
        )


def _coil_span(study: Study) -> Iterator[str]:
    span = study.winding.coil_span_slots
    if span is not None and span >= study.stator.slots:
        yield (
            f"winding.coil_span_slots must be smaller than the {study.stator.slots} slots; "
            f"got {span}; 1 is a coil round one tooth"
        )


def _gap(study: Study) -> Iterator[str]:
    if study.carrier.skin_mm >= study.airgap.length_mm:
        yield (
            f"carrier.skin_mm must be thinner than the airgap of {study.airgap.length_mm:g} mm "
            f"that it is part of; got {study.carrier.skin_mm:g}; widen airgap.length_mm"
        )


def _skin(study: Study) -> Iterator[str]:
    carrier, clearance = study.carrier, study.rotor.clearance_mm
    if 0 < carrier.skin_mm <= clearance:
        yield (
            f"carrier.skin_mm must be thicker than rotor.clearance_mm ({clearance:g}), which is "
            f"cut out of it; got {carrier.skin_mm:g}; make it thicker, or 0 for open pockets"
        )
    if carrier.lip_mm is None:
        return
    if carrier.skin_mm == 0:
        yield (
            f"carrier.lip_mm: lips are as thick as the skin, and there is none; got "
            f"{carrier.lip_mm:g}; give carrier.skin_mm too, or leave it out for open pockets"
        )
    narrowest, name = min(
        (_size_at_gap(study, magnet), name)
        for name in relevant_magnets(study.rotor.magnets_per_pole_pair)
        if (magnet := getattr(study.rotor, name)) is not None
    )
    if 2 * carrier.lip_mm >= narrowest:
        yield (
            f"carrier.lip_mm: two lips must leave an opening before rotor.{name} of "
            f"{narrowest:.2f} mm; got {carrier.lip_mm:g}; make it smaller, or leave it out for a "
            "closed skin"
        )


def _size_at_gap(study: Study, magnet: Any) -> float:
    """Size of a magnet along the circumference at its face to the gap [mm]."""
    if magnet.shape == "block":
        return float(magnet.width_mm)
    radius = study.stator.surface_diameter_mm / 2
    sign = study.rotor.sign
    return float(magnet.span_deg * pi / 180 * (radius + sign * study.airgap.length_mm))


def _winding_room(study: Study) -> Iterator[str]:
    thickness, radius = study.stator.winding_thickness_mm, study.stator.surface_diameter_mm / 2
    if thickness is None:
        return
    if study.stator.kind == "smooth":
        room = study.airgap.length_mm - study.carrier.skin_mm
        if thickness >= room:
            yield (
                f"stator.winding_thickness_mm must leave running clearance in the {room:g} mm "
                f"between iron and rotor; got {thickness:g}; widen airgap.length_mm"
            )
    elif study.rotor.outer and thickness >= radius:
        yield (
            f"stator.winding_thickness_mm must be smaller than the radius of {radius:g} mm; "
            f"got {thickness:g}; make it thinner"
        )


def _bore(study: Study) -> Iterator[str]:
    gap, radius = study.airgap.length_mm, study.stator.surface_diameter_mm / 2
    if study.rotor.outer:
        return
    magnets = [getattr(study.rotor, n) for n in relevant_magnets(study.rotor.magnets_per_pole_pair)]
    thick = max((m.thickness_mm for m in magnets if m is not None), default=0)
    room = radius - gap - thick - study.rotor.steel_ring_mm
    if room <= 0:
        yield (
            f"rotor: magnets and ring reach {-room:.2f} mm beyond the shaft centre of an inner "
            f"rotor in a bore of {2 * radius:g} mm; use thinner magnets"
        )


SIZE_RULES = (
    _skew, _slot_pitch, _coil_side, _slot_depth, _yoke, _coil_span, _gap, _skin, _winding_room,
    _bore,
)  # fmt: skip
