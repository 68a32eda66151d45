"""What holds a rotor together and in place, as text and JSON."""

from __future__ import annotations

from math import inf, isinf, isnan
from typing import Any

from arrayopt.checks.hazards import SPINNING
from arrayopt.checks.holding import GLUE, Held, Hold
from arrayopt.checks.strength import DEFLECTION, OffCentre, Strength, strength_checks
from arrayopt.export.evaluation_tables import checks_text
from arrayopt.export.results import checks_json, shown
from arrayopt.export.text_tables import bullets, number, table_text
from arrayopt.quantities import RPM
from arrayopt.study import Study

_FASTEST = 150.0  # m/s at the rim (common practice, no source)
ASSUMED = (
    "Assumed: every part by itself, loads even over faces. A magnet is held by its glue or by the\n"
    "print in front of it, whichever is the stronger; with the print, pocket walls bear what is\n"
    "tangential. Glue: mean shear stress of all loads together over the bonded share of sides,\n"
    "back and floor end. Skin: a strip held at the pocket's sides, on an inner rotor a band round\n"
    "the ring; lips: cantilevers. Layers lie square to the shaft. Strength falls from 20 C along\n"
    "a straight line through half of it, for a print at its service temperature (common practice,\n"
    "no source). Torque: twice its mean on the worst magnet (derived). Smooth iron that does not\n"
    "saturate. Not counted: cogging, shocks, fatigue, creep, stress in the magnets themselves."
)


def strength_text(study: Study, found: Strength) -> str:
    """Return loads, what bears them, the off-centre pull, checks and cautions."""
    parts = [
        f"{study.title}\n{conditions(found)}",
        "Loads on the worst magnet of each family, radial ones positive outwards; all together at\n"
        "rest or at overspeed, whichever is more\n" + table_text(*load_rows(found)),
        f"What holds a magnet towards the gap, {study.strength.adhesive} and "
        f"{study.carrier.material} at {found.temperature:.3g} C\n"
        + table_text(*hold_rows(study, found)),
    ]
    if found.ring is not None:
        parts.append(
            "Ring behind the magnets at overspeed, tension at its bore; pressed together is none\n"
            + table_text(*ring_rows(study, found))
        )
    parts += [
        f"Rotor off the stator's centre\n{table_text(*centre_rows(found.off_centre))}",
        checks_text(strength_checks(study, found)),
        *([bullets("Not judged", lacking)] if (lacking := not_judged(study, found)) else []),
        ASSUMED,
        bullets("Cautions", list(SPINNING)),
    ]
    return "\n\n".join(parts)


def conditions(found: Strength) -> str:
    """Say speed, temperature and torque that are judged."""
    lines = [f"Judged with magnets, glue and print at {found.temperature:.3g} C"]
    if not isnan(found.speed):
        lines.append(f"at {found.speed / RPM:.0f} rpm ({found.speed_source})")
    if not isnan(found.torque):
        lines.append(f"and {found.torque:.3g} N m of torque ({found.torque_source})")
    return "\n".join(lines)


def load_rows(found: Strength) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of the loads."""
    rows: list[list[object]] = [
        [
            held.family,
            held.number,
            *(
                _force(value)
                for value in (
                    held.loads.centrifugal, held.loads.radial, held.loads.tangential,
                    held.loads.axial, held.loads.torque, held.loads.to_gap, held.loads.to_back,
                )
            ),
        ]
        for held in found.held
    ]  # fmt: skip
    return rows, [
        "Magnets", "Count", "Centrifugal\n[N]", "Magnetic\nradial [N]", "tangential\n[N]",
        "axial\n[N]", "Of torque\n[N]", "All, to\ngap [N]", "All, to\nback [N]",
    ]  # fmt: skip


def _force(value: float) -> str:
    return "-" if isnan(value) else f"{value + 0.0:.2f}"


def hold_rows(study: Study, found: Strength) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of glue, skin and lips, a line each."""
    wanted = study.strength.safety_factor
    rows: list[list[object]] = []
    for held in found.held:
        rows += [
            [
                held.family,
                hold.what,
                f"{held.bond_area * 1e6:.3g}" if hold.what == GLUE else "-",
                _pressure(hold.stress),
                _pressure(hold.strength),
                _safety(hold),
                f"{wanted:g}",
                "yes" if hold.safety >= wanted else "no",
            ]
            for hold in held.holds
        ]
    return rows, [
        "Magnets", "Held by", "Bonded\n[mm2]", "Stress\n[MPa]", "Strength\n[MPa]", "Safety\nfactor",
        "Wanted", "Enough\nby itself",
    ]  # fmt: skip


def _pressure(value: float) -> str:
    return number(value, 1e-6)


def _safety(hold: Hold) -> str:
    return "-" if isinf(hold.safety) else f"{hold.safety:.3g}"


def ring_rows(study: Study, found: Strength) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of the ring behind the magnets."""
    ring = found.ring
    assert ring is not None
    safety = ring.strength / ring.hoop if ring.hoop > 0 else inf
    rows: list[list[object]] = [
        [
            ring.part,
            *(_pressure(value) for value in (ring.own, ring.carried, ring.hoop, ring.strength)),
            "-" if isinf(safety) else f"{safety:.3g}",
            f"{study.strength.safety_factor:g}",
        ]
    ]
    return rows, [
        "Ring", "Own mass\n[MPa]", "Magnets,\nwalls [MPa]", "Tension\n[MPa]", "Strength\n[MPa]",
        "Safety\nfactor", "Wanted",
    ]  # fmt: skip


def centre_rows(centre: OffCentre) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of the off-centre pull; what has no data is left out."""
    rows: list[list[object]] = [
        ["clearance that runs free", number(centre.clearance, 1e3), "mm"],
        ["eccentricity as built", number(centre.eccentricity, 1e3), "mm"],
        ["magnetic pull there", number(centre.pull), "N"],
        ["pull per eccentricity", number(centre.magnetic_stiffness, 1e-3), "N/mm"],
    ]
    if centre.centred > 1e-3 * centre.pull:
        rows.append(["part of the pull that a centred rotor has too", number(centre.centred), "N"])
    if isnan(centre.support) and centre.pull > 0:
        rows.append(
            [
                f"support that gives at most {100 * DEFLECTION:g} % of the clearance",
                number(centre.support_needed, 1e-3),
                "N/mm",
            ]
        )
    elif not isnan(centre.support):
        rows.append(["support as given", number(centre.support, 1e-3), "N/mm"])
    if centre.stable:
        rows += [
            ["eccentricity with the support bent", number(centre.total, 1e3), "mm"],
            ["clearance left", number(centre.gap_left, 1e3), "mm"],
        ]
    elif not isnan(centre.support):
        rows.append(
            ["support weaker than the magnets: the rotor is pulled against the stator", "-", ""]
        )
    return rows, ["Figure", "Value", "Unit"]


def not_judged(study: Study, found: Strength) -> list[str]:
    """Return what the study has no data for, and how to give them."""
    lines = []
    if isnan(found.speed):
        lines.append(
            "overspeed: give strength.overspeed_rpm or [drive]; until then only magnetic loads at "
            "rest are judged."
        )
    if found.speed * found.outermost > _FASTEST:
        lines.append(
            f"{found.speed / RPM:.0f} rpm in earnest: at {found.speed * found.outermost:.0f} m/s "
            "of the rim, more than such rotors see, give strength.overspeed_rpm."
        )
    if found.loose_parts > 1:
        lines.append(
            f"the {found.loose_parts} walls between open pockets, which stand on the floor alone: "
            "their bending."
        )
    if isnan(found.torque):
        lines.append("the torque's share of the load: give [drive] or [heat].")
    if study.heat is None:
        lines.append(
            "warmth: without [heat] magnets, glue and print are taken at "
            "rotor.magnet_temperature_c."
        )
    if isnan(found.off_centre.support) and found.off_centre.pull > 0:
        lines.append(
            "clearance left off centre: give strength.stiffness_n_per_mm, measured with a weight "
            "and a gauge at the magnets."
        )
    if found.ring is None and study.rotor.outer and not isnan(found.speed):
        lines.append(
            "the ring behind the magnets: there is neither carrier.backing_mm nor a steel ring; "
            "the glue bears all."
        )
    return lines


def strength_json(study: Study, found: Strength) -> dict[str, Any]:
    """Return loads, stresses, off-centre pull, checks and cautions; keys end in their unit."""
    centre, ring = found.off_centre, found.ring
    return {
        "title": study.title,
        "overspeed_rpm": shown(found.speed, 1 / RPM),
        "overspeed_source": found.speed_source or None,
        "temperature_c": shown(found.temperature),
        "torque_nm": shown(found.torque),
        "torque_source": found.torque_source or None,
        "adhesive": study.strength.adhesive,
        "safety_factor_wanted": study.strength.safety_factor,
        "magnets": [_held_json(held) for held in found.held],
        "ring": None
        if ring is None
        else {
            "part": ring.part,
            "own_mpa": shown(ring.own, 1e-6),
            "carried_mpa": shown(ring.carried, 1e-6),
            "hoop_mpa": shown(ring.hoop, 1e-6),
            "strength_mpa": shown(ring.strength, 1e-6),
        },
        "off_centre": {
            "clearance_mm": shown(centre.clearance, 1e3),
            "eccentricity_mm": shown(centre.eccentricity, 1e3),
            "pull_n": shown(centre.pull),
            "centred_pull_n": shown(centre.centred),
            "magnetic_stiffness_n_per_mm": shown(centre.magnetic_stiffness, 1e-3),
            "support_n_per_mm": shown(centre.support, 1e-3),
            "support_needed_n_per_mm": shown(centre.support_needed, 1e-3),
            "total_eccentricity_mm": shown(centre.total, 1e3),
            "clearance_left_mm": shown(centre.gap_left, 1e3),
            "stable": None if isnan(centre.support) else centre.stable,
        },
        "checks": checks_json(strength_checks(study, found)),
        "not_judged": not_judged(study, found),
        "cautions": list(SPINNING),
    }


def _held_json(held: Held) -> dict[str, Any]:
    loads = held.loads
    return {
        "family": held.family,
        "count": held.number,
        "centrifugal_n": shown(loads.centrifugal),
        "magnetic_radial_n": shown(loads.radial),
        "magnetic_tangential_n": shown(loads.tangential),
        "magnetic_axial_n": shown(loads.axial),
        "torque_share_n": shown(loads.torque),
        "to_gap_n": shown(loads.to_gap),
        "to_back_n": shown(loads.to_back),
        "bonded_mm2": shown(held.bond_area, 1e6),
        "held_by": held.best.what,
        "holds": [
            {
                "what": hold.what,
                "stress_mpa": shown(hold.stress, 1e-6),
                "strength_mpa": shown(hold.strength, 1e-6),
                "safety_factor": None if isinf(hold.safety) else shown(hold.safety),
            }
            for hold in held.holds
        ],
    }
