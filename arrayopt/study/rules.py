"""Rules between keys, and between keys and the materials list.

Each rule is a generator of faults over a study. A study that has faults of its own
lacks the keys concerned; rules that need one of them stop there and the others speak.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import pi
from typing import Any

from arrayopt.errors import echo, known_ones
from arrayopt.materials import (
    adhesives,
    awg_diameter,
    magnet_grades,
    plastics,
    sheets,
    steels,
)
from arrayopt.study.goals import goal_faults
from arrayopt.study.models import FOREIGN, Study, relevant_magnets
from arrayopt.study.variables import magnet_counts, variable_faults

_NEEDS = {
    "slotted": ("slot_opening_mm", "tooth_width_mm"),
    "smooth": ("winding_thickness_mm", "coil_side_mm"),
    "ironless": ("winding_thickness_mm", "coil_side_mm"),
}


def contradictions(study: Study, *, partial: bool = False) -> list[str]:
    """Return a line for every rule between keys that the study breaks.

    Parameters
    ----------
    study : Study
    partial : bool
        The study lacks keys; rules that need them are passed over.

    """
    faults: list[str] = []
    for rule in (*_RULES, *_SIZE_RULES):
        try:
            faults.extend(rule(study))
        except AttributeError:
            if not partial:
                raise
    return faults


def size_contradictions(study: Study) -> list[str]:
    """Return the faults that a change of sizes, counts and lengths alone can bring."""
    return [fault for rule in _SIZE_RULES for fault in rule(study)]


def _grades(study: Study) -> Iterator[str]:
    named = {"rotor.grade": study.rotor.grade}
    for name in ("main", "transverse", "oblique"):
        magnet = getattr(study.rotor, name)
        if magnet is not None and magnet.grade is not None:
            named[f"rotor.{name}.grade"] = magnet.grade
    if study.sensor is not None:
        named["sensor.magnet_grade"] = study.sensor.magnet_grade
    for path, grade in named.items():
        if grade not in study.known("magnets"):
            near = known_ones(grade, study.known("magnets"))
            yield f"{path}: unknown magnet grade; got {echo(grade)}; {near}"


def _plastic(study: Study) -> Iterator[str]:
    name, known = study.carrier.material, study.known("plastics")
    if name not in known:
        yield f"carrier.material: unknown plastic; got {echo(name)}; {known_ones(name, known)}"


def _adhesive(study: Study) -> Iterator[str]:
    name, known = study.strength.adhesive, study.known("adhesives")
    if name not in known:
        yield f"strength.adhesive: unknown glue; got {echo(name)}; {known_ones(name, known)}"


def _steels(study: Study) -> Iterator[str]:
    for path, name in (
        ("rotor.ring_steel", study.rotor.ring_steel),
        ("stator.sheet", study.stator.sheet),
    ):
        known = study.known("steels")
        if name not in known:
            yield f"{path}: unknown steel; got {echo(name)}; {known_ones(name, known)}"
    sheet = study.stator.sheet
    if sheet in study.known("steels") and sheet not in study.known("steels", sheets_only=True):
        yield (
            f"stator.sheet must be an electrical sheet; got {echo(study.stator.sheet)}, which has "
            f"no loss figure; use one of {', '.join(sheets())}"
        )


def _own_materials(study: Study) -> Iterator[str]:
    lists = {"magnets": magnet_grades(), "plastics": plastics(), "adhesives": adhesives()}
    lists["steels"] = steels()
    for kind, listed in lists.items():
        for name, row in getattr(study.materials, kind).items():
            path = f"materials.{kind}.{name}"
            if name in listed:
                yield f"{path}: the list has {echo(name)} already; choose another name"
            if row.like not in listed:
                near = known_ones(row.like, listed)
                yield f"{path}.like must be a listed one; got {echo(row.like)}; {near}"
            elif kind == "magnets":
                grade = row.grade(name)
                low, middle, high = grade.remanence_min, grade.remanence, grade.remanence_max
                if not low <= middle <= high:
                    yield (
                        f"{path}: remanences must rise from minimum over typical to maximum; got "
                        f"{low:g}, {middle:g}, {high:g} T, those of {row.like} where none is "
                        "given; give all three"
                    )
    for name, wire in study.materials.wires.items():
        if wire.overall_mm < wire.bare_mm:
            yield (
                f"materials.wires.{name}.overall_mm must be at least bare_mm ({wire.bare_mm:g}); "
                f"got {wire.overall_mm:g}; give the diameter over the enamel"
            )


def _wire(study: Study) -> Iterator[str]:
    winding, own = study.winding, study.materials.wires
    if (winding.wire is None) == (winding.wire_diameter_mm is None):
        got = "neither" if winding.wire is None else "both"
        yield (
            f"winding: needs either wire_diameter_mm or wire; got {got}; "
            'give the bare diameter or a size such as "AWG 22"'
        )
    if winding.wire is not None and winding.wire not in own and awg_diameter(winding.wire) is None:
        also = f" or one of {', '.join(own)}" if own else " or add it to [materials.wires]"
        yield (
            f"winding.wire: unknown wire; got {echo(winding.wire)}; "
            f'write a size from "AWG 0" to "AWG 50"{also}'
        )


def _skew(study: Study) -> Iterator[str]:
    rotor = study.rotor
    if (rotor.skew_steps > 1) != (rotor.skew_step_deg > 0):
        yield (
            "rotor.skew_steps and rotor.skew_step_deg go together; got "
            f"{rotor.skew_steps} and {rotor.skew_step_deg:g}; give more than one step and the "
            "angle between two, or neither"
        )


def _iron_for_loss(study: Study) -> Iterator[str]:
    stator = study.stator
    if not study.heat or not study.heat.speed_rpm or stator.kind == "ironless":
        return
    needed = ["yoke_mm", *(["slot_depth_mm"] if stator.kind == "slotted" else [])]
    lacking = [f"stator.{key}" for key in needed if getattr(stator, key) is None]
    if lacking:
        yield (
            f"heat.speed_rpm: the iron loss at speed needs {' and '.join(lacking)}; "
            f"got {study.heat.speed_rpm:g}; add them or leave heat.speed_rpm out"
        )


def _run_of_this_winding(study: Study) -> Iterator[str]:
    if study.search is None or study.heat is None or study.heat.run is None:
        return
    changed = [k for k in study.search.variables if k.startswith(("winding.", "stator."))]
    if changed:
        yield (
            f'heat.run belongs to the winding as wound, but the search changes "{changed[0]}"; '
            "give heat.thermal_resistance_k_per_w instead, as `arrayopt evaluate` shows it"
        )


def _length(study: Study) -> Iterator[str]:
    rotor = study.rotor
    if rotor.length_mm is not None and rotor.overhang_mm is not None:
        yield (
            f"rotor.overhang_mm stands instead of rotor.length_mm; got {rotor.overhang_mm:g} and "
            f"{rotor.length_mm:g}; leave one out"
        )
    elif study.rotor_length_mm < 0.5:
        yield (
            f"rotor.overhang_mm leaves magnets of {study.rotor_length_mm:g} mm on a stack of "
            f"{study.stator.stack_mm:g} mm; got {rotor.overhang_mm:g}; make it larger"
        )


def _space(study: Study) -> Iterator[str]:
    search = study.search
    if search is None:
        return
    if not search.variables and search.stock is None:
        yield (
            "search.variables is missing or empty; add what the search may change, as in "
            '"rotor.main.width_mm" = { low = 3.0, high = 6.0 }'
        )
    rotor, free = study.rotor, search.variables
    both = {"length_mm", "overhang_mm"}
    if both <= {k for k in both if getattr(rotor, k) is not None or f"rotor.{k}" in free}:
        for key in ("rotor.length_mm", "rotor.overhang_mm"):
            if key in free:
                yield (
                    f'search.variables."{key}": rotor.overhang_mm stands instead of '
                    "rotor.length_mm; leave the other one out of [rotor] and of the variables"
                )
    if search.stock is None:
        return
    arcs = any(
        magnet is not None and magnet.shape == "arc"
        for magnet in (rotor.main, rotor.transverse, rotor.oblique)
    )
    # What the choice of rows depends on has to stand before it is made.
    held = {"rotor.skew_steps": "length", "rotor.overhang_mm": "length"}
    if rotor.length_mm is None and "rotor.length_mm" not in free:
        held["stator.stack_mm"] = "length"
    if arcs:
        named = ("airgap.length_mm", "stator.surface_diameter_mm", "rotor.clearance_mm")
        held |= dict.fromkeys(named, "radius")
    for key in search.variables:
        if key == "rotor.grade" or key.startswith(("rotor.main", "rotor.trans", "rotor.oblique")):
            if not key.endswith(".flush"):
                yield (
                    f'search.variables."{key}": sizes and grades come from search.stock; '
                    "remove one of the two"
                )
        elif key in held:
            yield (
                f'search.variables."{key}": the {held[key]} of magnets comes from search.stock; '
                "remove it, and vary rotor.length_mm for other lengths"
            )


def _cooling(study: Study) -> Iterator[str]:
    heat = study.heat
    if heat and (heat.thermal_resistance_k_per_w is None) == (heat.run is None):
        got = "neither" if heat.run is None else "both"
        yield (
            f"heat: needs either thermal_resistance_k_per_w or run; got {got}; give "
            "run = { current_a_rms = ..., rise_k = ... } if it was measured"
        )


def _magnet_tables(study: Study) -> Iterator[str]:
    now = study.rotor.magnets_per_pole_pair
    free = study.search and study.search.variables.get("rotor.magnets_per_pole_pair")
    possible = {now, *(magnet_counts(free) if free else ())}
    for name in ("transverse", "oblique"):
        given = getattr(study.rotor, name) is not None
        used = [M for M in sorted(possible) if name in relevant_magnets(M)]
        # A search may leave a family behind; its table stays for the designs that have it.
        if given and not used and not free:
            yield (
                f"rotor.{name} is given, but {now} magnets per pole pair have no {name} magnets; "
                "remove it or change rotor.magnets_per_pole_pair"
            )
        if used and not given:
            yield (
                f"rotor.{name} is missing: {used[0]} magnets per pole pair"
                f"{'' if now in used else ', which the search may try,'} have {name} magnets; "
                "give their shape and sizes"
            )


def _stator_keys(study: Study) -> Iterator[str]:
    stator, kind = study.stator, study.stator.kind
    for name in _NEEDS[kind]:
        if getattr(stator, name) is None:
            yield f"stator.{name} is missing; a {kind} stator needs it"
    for name in FOREIGN[kind]:
        if getattr(stator, name) is not None:
            yield (
                f"stator.{name} has no meaning for a {kind} stator; "
                f"got {getattr(stator, name):g}; remove it or change stator.kind"
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
    layers = study.winding.layers
    opening, tooth = stator.slot_opening_mm, stator.tooth_width_mm
    if opening is not None and tooth is not None and max(opening, tooth) < pitch < opening + tooth:
        yield (
            f"stator.slot_opening_mm: opening and tooth share a slot pitch of {pitch:.2f} mm, so "
            f"at most {pitch - tooth:.2f} is possible; got {opening:g}; make it narrower"
        )
    if stator.coil_side_mm is not None and stator.coil_side_mm > pitch / layers:
        share = "two sides share" if layers == 2 else "one side takes"
        yield (
            f"stator.coil_side_mm: {share} a sector of {pitch:.2f} mm, so at most "
            f"{pitch / layers:.2f} is possible; got {stator.coil_side_mm:g}; make it narrower"
        )


def _slot_depth(study: Study) -> Iterator[str]:
    stator, depth = study.stator, study.stator.slot_depth_mm
    if depth is None:
        return
    radius = stator.surface_diameter_mm / 2
    tip = study.tooth_tip_mm
    bottom = radius - tip - depth if study.rotor.position == "outer" else radius + tip
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
    if yoke is None or study.rotor.position != "outer":
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


def _temperatures(study: Study) -> Iterator[str]:
    if study.heat and study.heat.winding_limit_c <= study.heat.ambient_c:
        yield (
            f"heat.winding_limit_c must be above heat.ambient_c ({study.heat.ambient_c:g}); "
            f"got {study.heat.winding_limit_c:g}; give the limit of enamel or carrier"
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
    sign = 1 if study.rotor.position == "outer" else -1
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
    elif study.rotor.position == "outer" and thickness >= radius:
        yield (
            f"stator.winding_thickness_mm must be smaller than the radius of {radius:g} mm; "
            f"got {thickness:g}; make it thinner"
        )


def _bore(study: Study) -> Iterator[str]:
    gap, radius = study.airgap.length_mm, study.stator.surface_diameter_mm / 2
    if study.rotor.position != "inner":
        return
    magnets = [getattr(study.rotor, n) for n in relevant_magnets(study.rotor.magnets_per_pole_pair)]
    thick = max((m.thickness_mm for m in magnets if m is not None), default=0)
    room = radius - gap - thick - study.rotor.steel_ring_mm
    if room <= 0:
        yield (
            f"rotor: magnets and ring reach {-room:.2f} mm beyond the shaft centre of an inner "
            f"rotor in a bore of {2 * radius:g} mm; use thinner magnets"
        )


_RULES = (
    _own_materials, _grades, _plastic, _adhesive, _steels, _magnet_tables, _stator_keys, _wire,
    _temperatures, _cooling, _iron_for_loss, _run_of_this_winding, _length, _space,
    variable_faults, goal_faults,
)  # fmt: skip
_SIZE_RULES = (
    _skew, _slot_pitch, _slot_depth, _yoke, _coil_span, _gap, _skin, _winding_room, _bore,
)  # fmt: skip
