"""Rules between keys, and between keys and the materials list."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Sequence
from typing import Any

from pydantic import ValidationError

from arrayopt.materials import magnet_grades, plastics
from arrayopt.study.models import Arc, Study, Variable, relevant_magnets

_ONLY = {
    "slotted": ("slot_opening_mm", "tooth_width_mm"),
    "smooth": ("winding_thickness_mm", "coil_side_mm"),
    "ironless": ("winding_thickness_mm", "coil_side_mm"),
}
_FOREIGN = {
    "slotted": ("winding_thickness_mm", "coil_side_mm"),
    "smooth": ("slot_opening_mm", "tooth_width_mm", "slot_depth_mm"),
    "ironless": ("slot_opening_mm", "tooth_width_mm", "slot_depth_mm"),
}


def contradictions(study: Study) -> list[str]:
    """Return a line for every rule between keys that the study breaks."""
    return [*_materials(study), *_magnets(study), *_stator(study), *_space(study), *_search(study)]


def _materials(study: Study) -> Iterator[str]:
    named = {"rotor.grade": study.rotor.grade}
    for name in ("main", "transverse", "oblique"):
        magnet = getattr(study.rotor, name)
        if magnet is not None and magnet.grade is not None:
            named[f"rotor.{name}.grade"] = magnet.grade
    for path, grade in named.items():
        if grade not in magnet_grades():
            yield f"{path}: unknown magnet grade; got {grade!r}; {_like(grade, magnet_grades())}"
    if study.carrier.material not in plastics():
        yield (
            f"carrier.material: unknown plastic; got {study.carrier.material!r}; "
            f"{_like(study.carrier.material, plastics())}"
        )


def _like(name: str, known: Sequence[str]) -> str:
    near = difflib.get_close_matches(name.upper(), known, n=3, cutoff=0.5) or known[:6]
    return "known ones: " + ", ".join(near)


def _magnets(study: Study) -> Iterator[str]:
    possible = {study.rotor.magnets_per_pole_pair}
    if study.search and (free := study.search.variables.get("rotor.magnets_per_pole_pair")):
        possible |= {int(v) for v in variable_values(free) if isinstance(v, int)}
    now = relevant_magnets(study.rotor.magnets_per_pole_pair)
    for name in ("transverse", "oblique"):
        given = getattr(study.rotor, name) is not None
        used = [M for M in sorted(possible) if name in relevant_magnets(M)]
        if given and not used:
            yield (
                f"rotor.{name} is given, but {study.rotor.magnets_per_pole_pair} magnets per "
                f"pole pair have no {name} magnets; remove it or change "
                "rotor.magnets_per_pole_pair"
            )
        if not given and (used or name in now):
            yield (
                f"rotor.{name} is missing: {(used or [now])[0]} magnets per pole pair have "
                f"{name} magnets; give their shape and sizes"
            )


def _stator(study: Study) -> Iterator[str]:
    stator, kind = study.stator, study.stator.kind
    for name in _ONLY[kind]:
        if getattr(stator, name) is None:
            yield f"stator.{name} is missing; a {kind} stator needs it"
    for name in _FOREIGN[kind]:
        if getattr(stator, name) is not None:
            yield (
                f"stator.{name} has no meaning for a {kind} stator; "
                f"got {getattr(stator, name):g}; remove it or change stator.kind"
            )
    pitch = 3.141592653589793 * stator.surface_diameter_mm / stator.slots
    if stator.slot_opening_mm is not None and stator.slot_opening_mm >= pitch:
        yield (
            f"stator.slot_opening_mm must be smaller than the slot pitch of {pitch:.2f} mm; "
            f"got {stator.slot_opening_mm:g}"
        )
    if stator.tooth_width_mm is not None and stator.tooth_width_mm >= pitch:
        yield (
            f"stator.tooth_width_mm must be smaller than the slot pitch of {pitch:.2f} mm; "
            f"got {stator.tooth_width_mm:g}"
        )
    if stator.coil_side_mm is not None and stator.coil_side_mm > pitch / 2:
        yield (
            f"stator.coil_side_mm: two sides share a sector of {pitch:.2f} mm, so at most "
            f"{pitch / 2:.2f}; got {stator.coil_side_mm:g}"
        )
    span = study.winding.coil_span_slots
    if span is not None and span >= stator.slots:
        yield (
            f"winding.coil_span_slots must be smaller than the {stator.slots} slots; got {span}; "
            "1 is a coil round one tooth"
        )
    if study.heat and study.heat.winding_limit_c <= study.heat.ambient_c:
        yield (
            f"heat.winding_limit_c must be above heat.ambient_c ({study.heat.ambient_c:g}); "
            f"got {study.heat.winding_limit_c:g}"
        )


def _space(study: Study) -> Iterator[str]:
    gap, radius = study.airgap.length_mm, study.stator.surface_diameter_mm / 2
    if study.carrier.skin_mm >= gap:
        yield (
            f"carrier.skin_mm must be thinner than the airgap of {gap:g} mm that it is part of; "
            f"got {study.carrier.skin_mm:g}"
        )
    thickness = study.stator.winding_thickness_mm
    if study.stator.kind == "smooth" and thickness is not None:
        room = gap - study.carrier.skin_mm
        if thickness >= room:
            yield (
                f"stator.winding_thickness_mm must leave running clearance in the {room:g} mm "
                f"between iron and rotor; got {thickness:g}; widen airgap.length_mm"
            )
    if study.stator.kind == "ironless" and thickness is not None and thickness >= radius:
        yield (
            f"stator.winding_thickness_mm must be smaller than the radius of {radius:g} mm; "
            f"got {thickness:g}"
        )
    depth = study.stator.slot_depth_mm
    if study.rotor.position == "outer" and depth is not None and depth >= radius:
        yield (
            f"stator.slot_depth_mm must be smaller than the radius of {radius:g} mm; got {depth:g}"
        )
    if study.rotor.position == "inner":
        magnets = [getattr(study.rotor, n) for n in ("main", "transverse", "oblique")]
        thick = max(m.thickness_mm for m in magnets if m is not None)
        room = radius - gap - thick - study.rotor.steel_ring_mm
        if room <= 0:
            yield (
                f"rotor: magnets and ring reach {-room:.2f} mm beyond the shaft centre of an inner "
                f"rotor in a bore of {2 * radius:g} mm; use thinner magnets"
            )


def _search(study: Study) -> Iterator[str]:
    if study.search is None:
        return
    for path, variable in study.search.variables.items():
        where = f'search.variables."{path}"'
        ranged = variable.low is not None and variable.high is not None
        partly = any(v is not None for v in (variable.low, variable.high, variable.step))
        if (variable.choices is not None) == ranged or (partly and not ranged):
            yield f"{where} needs either low and high (and step, if stepped) or choices; give one"
            continue
        if ranged and float(variable.low or 0) >= float(variable.high or 0):
            yield (
                f"{where}.high must be above low; got low {variable.low} and high {variable.high}"
            )
            continue
        if path.split(".")[0] in ("title", "search", "order", "limits"):
            yield f"{where} is not something a search may change; remove it"
            continue
        for value in variable_values(variable):
            fault = _rejected(study, path, value)
            if fault:
                yield f"{where}: {fault}"
                break


def variable_values(variable: Variable) -> list[Any]:
    """Return the choices, or the two ends of a range: if they are allowed, so is the rest."""
    if variable.choices is not None:
        return list(variable.choices)
    return [variable.low, variable.high]


def _rejected(study: Study, path: str, value: Any) -> str | None:
    tables = path.split(".")[:-1]
    node: Any = study
    for name in tables:
        node = getattr(node, name, None)
        if node is None:
            return f"the study has no table {'.'.join(tables)}; add it, so that it can be changed"
    if path.endswith("grade") and value not in magnet_grades():
        return f"unknown magnet grade; got {value!r}; {_like(str(value), magnet_grades())}"
    if path == "carrier.material" and value not in plastics():
        return f"unknown plastic; got {value!r}; {_like(str(value), plastics())}"
    if isinstance(node, Arc) and path.endswith("width_mm"):
        return "an arc has span_deg, not width_mm"
    try:
        study.with_values({path: value})
    except ValidationError as fault:
        first = fault.errors(include_url=False)[0]
        if first["type"] == "extra_forbidden":
            return "is not a key of this study; check its spelling"
        return f"{value!r} is not allowed there ({first['msg'].lower()})"
    except (AttributeError, TypeError):
        return "is not a key of this study; check its spelling"
    return None
