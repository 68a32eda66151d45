"""Layouts at equal rotor mass, each at its best: text, CSV and JSON."""

from __future__ import annotations

from typing import Any

import numpy as np

from arrayopt.export.evaluation_tables import magnets_text
from arrayopt.export.files import csv_text
from arrayopt.export.results import shown
from arrayopt.export.search_tables import iron_loss_is_free
from arrayopt.export.text_tables import bullets, number, table_text, wrapped
from arrayopt.figures import figure
from arrayopt.search.layouts import ARRAY, PLAIN, RING, LayoutFronts, Lead

_RIVALS = (PLAIN + RING, PLAIN)
_RANGES = (
    "Each layout is as good as its ranges allow: a lead near their ends may be their doing. "
    "Cogging and strength were not judged."
)


def layouts_text(fronts: LayoutFronts) -> str:
    """Return the best torque of each layout by rotor mass, its designs, and who leads where."""
    judged = sum(len(found.known) for found in fronts.found.values())
    mass, torque = figure("rotor_mass"), fronts.torque
    words = f"{torque.phrase} [{torque.unit}]"
    head = (
        f"{fronts.study.title}\n{judged} designs judged; the most {words} of each layout\n"
        f"with a rotor of at most that mass"
    )
    table = table_text(
        [
            [number(m, mass.scale), *(number(value, torque.scale) for value in row)]
            for m, row in _by_mass(fronts)
        ],
        [wrapped(mass.title), *(label.replace(", ", ",\n") for label in fronts.found)],
    )
    lines = [*lead_lines(fronts), *fronts.left_out]
    return "\n\n".join(
        [
            head,
            table,
            "\n".join(lines),
            f"With a rotor of at most {number(fronts.middle, 1e3)} g, near the middle of the "
            "table, the best are\n(array.toml and so on are these designs)",
            table_text(*_designs(fronts)),
            bullets("Cautions", [*_losing(fronts), *iron_loss_is_free(fronts.study), _RANGES]),
        ]
    )


def lead_lines(fronts: LayoutFronts) -> list[str]:
    """Say at which rotor masses the array leads each other layout, and where it does not."""
    if ARRAY not in fronts.found:
        return []
    lines = []
    for other in _RIVALS:
        if other in fronts.found:
            told = [_lead_words(lead) for lead in fronts.leads(ARRAY, other)]
            told += [_end_words(fronts, other)] if told else ["no rotor mass in common"]
            lines.append(f"Array against {other}: {'; '.join(told)}.")
    return lines


def _end_words(fronts: LayoutFronts, other: str) -> str:
    """Say which of array and another layout has no heavier rotors."""
    ends = {label: fronts.found[label].front["rotor_mass"].values.max() for label in (ARRAY, other)}
    first = min(ends, key=lambda label: float(ends[label]))
    return f"there the rotors of the {first} end"


def _lead_words(lead: Lead) -> str:
    where = f"from {lead.low * 1e3:.0f} to {lead.high * 1e3:.0f} g"
    if lead.leader is None:
        return f"even {where}"
    return f"{lead.leader} leads {where}, by up to {100 * lead.most:.0f} % at {lead.at * 1e3:.0f} g"


def _by_mass(fronts: LayoutFronts) -> list[tuple[float, list[float]]]:
    """Return rotor masses and each layout's best torque there."""
    columns = [fronts.best(label, fronts.masses)[0] for label in fronts.found]
    return list(zip(fronts.masses.tolist(), np.array(columns).T.tolist(), strict=True))


def designs_told(fronts: LayoutFronts) -> dict[str, int]:
    """Return the number of the best design of each layout that has one near the table's middle."""
    mass = np.array([fronts.middle])
    found = {label: int(fronts.best(label, mass)[1][0]) for label in fronts.found}
    return {label: index for label, index in found.items() if index >= 0}


def _designs(fronts: LayoutFronts) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of the layouts' best designs at the middle rotor mass."""
    columns = [fronts.torque, *map(figure, ("rotor_mass", "magnet_mass", "ring_mass"))]
    rows: list[list[object]] = []
    for label, index in designs_told(fronts).items():
        result = fronts.found[label]
        study, one = result.design(index), result.front.isel(design=index)
        rows.append(
            [
                label,
                study.rotor.pole_pairs,
                magnets_text(study),
                number(study.rotor.steel_ring_mm),
                *(number(float(one[f.name]), f.scale) for f in columns),
            ]
        )
    header = ["Layout", "Pole pairs", "Magnets [mm]", "Ring [mm]", *(f.title for f in columns)]
    return rows, [wrapped(name) for name in header]


def _losing(fronts: LayoutFronts) -> list[str]:
    """Name the designs told whose magnets lose polarisation: the searches did not judge that."""
    limit = fronts.study.limits.demagnetised_percent
    lost = {
        label: 100 * fronts.demagnetised(label, index)
        for label, index in designs_told(fronts).items()
    }
    past = [f"{label} ({share:.1f} %)" for label, share in lost.items() if share > limit]
    if not past:
        return []
    return [
        f"More than {limit:g} % of the magnets' volume loses polarisation: {', '.join(past)}. "
        'Put "magnets.demagnetised_percent" = { at_most = '
        f"{limit:g} }} into [search.limits] and all layouts keep to it; that takes minutes."
    ]


def layouts_csv(fronts: LayoutFronts) -> str:
    """Return the fronts of all layouts: a row a design."""
    keys = list(dict.fromkeys(k for r in fronts.found.values() for row in r.values for k in row))
    columns = [fronts.torque, *map(figure, ("rotor_mass", "magnet_mass", "ring_mass"))]
    rows: list[list[object]] = []
    for label, result in fronts.found.items():
        for i, values in enumerate(result.values):
            cells = [shown(float(result.front[f.name][i]), f.scale) for f in columns]
            rows.append([label, i, *cells, *(values.get(key, "") for key in keys)])
    return csv_text(["layout", "design", *(f.key for f in columns), *keys], rows)


def layouts_json(fronts: LayoutFronts) -> dict[str, Any]:
    """Return the best torque by rotor mass, who leads where, and the designs told."""
    return {
        "torque": fronts.torque.key,
        "mass_g": [shown(m, 1e3) for m in fronts.masses],
        "layouts": {
            label: {
                "designs_judged": len(result.known),
                "best": [
                    shown(value, fronts.torque.scale)
                    for value in fronts.best(label, fronts.masses)[0]
                ],
            }
            for label, result in fronts.found.items()
        },
        "leads": {
            other: [
                {
                    "from_g": shown(lead.low, 1e3), "to_g": shown(lead.high, 1e3),
                    "leader": lead.leader, "most_percent": shown(lead.most, 100),
                    "at_g": shown(lead.at, 1e3),
                }
                for lead in fronts.leads(ARRAY, other)
            ]
            for other in _RIVALS
            if ARRAY in fronts.found and other in fronts.found
        },
        "middle_g": shown(fronts.middle, 1e3),
        "designs": {
            label: {"design": index, "values": fronts.found[label].values[index]}
            for label, index in designs_told(fronts).items()
        },
        "left_out": list(fronts.left_out),
    }  # fmt: skip
