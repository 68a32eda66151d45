"""Rules between keys, and between keys and the materials list.

Each rule is a generator of faults over a study. A study that has faults of its own
lacks the keys concerned; rules that need one of them stop there and the others speak.
"""

from __future__ import annotations

from collections.abc import Iterator

from arrayopt.errors import echo, known_ones
from arrayopt.materials import (
    adhesives,
    awg_diameter,
    magnet_grades,
    plastics,
    sheets,
    steels,
)
from arrayopt.study.goals import goal_faults, tolerance_faults
from arrayopt.study.models import Study, relevant_magnets
from arrayopt.study.sections import FOREIGN
from arrayopt.study.size_rules import SIZE_RULES
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
    for rule in (*_RULES, *SIZE_RULES):
        try:
            faults.extend(rule(study))
        except AttributeError:
            if not partial:
                raise
    return faults


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
    # Faulty variables must not hide that a family is missing: later stages count on it.
    variables = getattr(getattr(study, "search", None), "variables", {})
    free = variables.get("rotor.magnets_per_pole_pair")
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


def _temperatures(study: Study) -> Iterator[str]:
    if study.heat and study.heat.winding_limit_c <= study.heat.ambient_c:
        yield (
            f"heat.winding_limit_c must be above heat.ambient_c ({study.heat.ambient_c:g}); "
            f"got {study.heat.winding_limit_c:g}; give the limit of enamel or carrier"
        )


_RULES = (
    _own_materials, _grades, _plastic, _adhesive, _steels, _magnet_tables, _stator_keys, _wire,
    _temperatures, _cooling, _iron_for_loss, _run_of_this_winding, _length, _space,
    variable_faults, goal_faults, tolerance_faults,
)  # fmt: skip
