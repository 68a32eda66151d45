"""A search as text and as data."""

from __future__ import annotations

from math import isfinite
from typing import Any

import xarray as xr

from arrayopt.checks import check_limits, design_cautions
from arrayopt.export.evaluation_tables import magnets_text
from arrayopt.export.results import figures_json, shown
from arrayopt.export.text_tables import bullets, number, table_text, wrapped
from arrayopt.figures import Figure, figure
from arrayopt.layout.stock import bought_rows, idle_rows
from arrayopt.scatter.robust import ROBUST
from arrayopt.search import SearchResult, start_outside
from arrayopt.search.result import pick_name
from arrayopt.study import Study

# Columns beside the objectives, each left out where it is one.
_ALSO = ("rotor_mass", "magnet_mass", "price")
_NOTICED = 0.1  # percent of growth of a front
_NAMED = 3  # items of a shop list for each reason why they do not serve
_SHORT = {"rotor_mass": "Rotor [g]", "magnet_mass": "Magnets [g]", "price": "Price of magnets"}


def search_text(result: SearchResult) -> str:
    """Return how a search went and the designs picked from its front."""
    figures = _columns(result)
    start = _missed(result, result.study, result.started, result.start)
    rows = [_row("start", result.study, result.start, figures, start)]
    for name, index in result.picks.items():
        design, one = result.design(index), result.front.isel(design=[index])
        missed = _missed(result, design, result.picked[name], one)
        rows.append(_row(pick_text(result, name), design, one, figures, missed))
    header = ["Design", "Pole\npairs", "Magnets [mm]", "Ring\n[mm]"]
    header += [wrapped(_SHORT.get(f.name, f.title)) for f in figures]
    lines = [
        f"{len(result.known)} different designs judged, {result.feasible} keep all limits, "
        f"{len(result.values)} on the front.",
        *_costly(result),
        _completeness(result),
        *start_outside(result.study),
        *_idle(result.study),
    ]
    told: dict[str, list[str]] = {}
    for name, index in result.picks.items():
        for line in design_cautions(result.design(index), result.picked[name]):
            told.setdefault(line, []).append(name)
    judged = "" if "demagnetised" in result.goal.costly else "demagnetisation, "
    cautions = [
        *(
            line if len(names) == len(result.picks) else f"{', '.join(names)}: {line}"
            for line, names in told.items()
        ),
        *iron_loss_is_free(result.study),
        *_put_to_the_search(result),
        f"The search did not judge {judged}cogging or strength at speed; the designs of the table "
        "were then checked as `arrayopt evaluate` does.",
    ]
    return "\n\n".join(
        [
            "\n".join(lines),
            table_text(rows, [*header, "Checks\nmissed"]),
            *_items(result),
            _knee(result),
            bullets("Cautions", cautions),
        ]
    )


def _put_to_the_search(result: SearchResult) -> list[str]:
    """Say how the search itself keeps to what picks miss and it did not judge."""
    limit = result.study.limits.demagnetised_percent
    shares = [float(one["demagnetised"][0]) * 100 for one in result.picked.values()]
    if "demagnetised" in result.goal.costly or not any(share > limit for share in shares):
        return []
    return [
        f'"magnets.demagnetised_percent" = {{ at_most = {limit:g} }} in [search.limits] keeps '
        "designs out that lose polarisation; the search then takes minutes."
    ]


def _missed(result: SearchResult, study: Study, whole: xr.Dataset, judged: xr.Dataset) -> str:
    """Name the checks that a design misses, and the limits of the search."""
    checks = [c.name for c in check_limits(study, whole) if not c.ok]
    limits = [name for name, share in result.goal.missed(judged).items() if share[0] > 0]
    return ",\n".join([*checks, *limits]) or "none"


def _knee(result: SearchResult) -> str:
    """Say what the knee is, and what it costs and gains against the start."""
    words = []
    for f in result.objectives:
        was = float(result.start[f.name][0])
        now = float(result.picked["knee"][f.name][0])
        if isfinite(was) and was and isfinite(now):
            change = 100 * (now / was - 1)
            side = "more" if change > 0 else "less"
            words.append(f"{f.phrase} {abs(change):.1f} % {side}")
    against = f"\nAgainst the start it has {', '.join(words)}." if words else ""
    return (
        "The knee is where the front bends most: past it on either side a little more of one "
        f"costs much of the other.{against}"
    )


def _costly(result: SearchResult) -> list[str]:
    """Say which figures only part of the designs was held to."""
    keys = sorted(figure(name).key for name in result.goal.costly)
    told = f"{', '.join(keys[:-1])} and {keys[-1]} were" if keys[1:] else f"{''.join(keys)} was"
    return [f"{told} computed only for designs that may be on the front."] if keys else []


def _idle(study: Study) -> list[str]:
    """Say which rows of the shop list the search has no use for."""
    idle = idle_rows(study)
    if not idle or study.search is None:
        return []
    left, rows = sum(map(len, idle.values())), len(set(study.stock))
    reasons = []
    for reason, items in idle.items():
        more = f" and {len(items) - _NAMED} more" if len(items) > _NAMED else ""
        reasons.append(f"{', '.join(items[:_NAMED])}{more}: {reason}")
    return [
        f"{rows - left} of {rows} rows of {study.search.stock} can serve; {'; '.join(reasons)}."
    ]


def _items(result: SearchResult) -> list[str]:
    """Name the items of the shop list that the picks are made of."""
    if not result.study.stock:
        return []
    told: dict[str, list[str]] = {}
    for name, index in result.picks.items():
        bought = bought_rows(result.design(index))
        line = ", ".join(
            f"{table} {' and '.join(row.item for row in rows)}" for table, rows in bought.items()
        )
        told.setdefault(line, []).append(name)
    lines = [f"{', '.join(names)}: {line}" for line, names in told.items()]
    return [bullets("From the shop list", lines)]


def iron_loss_is_free(study: Study) -> list[str]:
    """Warn where high pole counts look better than they are."""
    free = study.search.variables if study.search else {}
    counts = {"rotor.pole_pairs", "stator.slots"} & set(free)
    if study.heat is None or study.heat.speed_rpm or study.stator.kind == "ironless" or not counts:
        return []
    return [
        "heat.speed_rpm is 0, so iron loss costs nothing and high pole counts look better than "
        "they are at speed: give the speed of the joint times its gear ratio."
    ]


def _completeness(result: SearchResult) -> str:
    if result.whole:
        return "That is the whole space: no better design is in it."
    if not isfinite(result.growth):
        return "Other seeds and more trials may find more."
    percent = 100 * result.growth
    amount = f"by {percent:.1f} %" if percent >= _NOTICED else f"by less than {_NOTICED:g} %"
    return (
        f"The last fifth of the designs enlarged the front {amount}; other seeds and more trials "
        "may find a little more."
    )


def pick_text(result: SearchResult, name: str) -> str:
    """Say in words what a pick is."""
    if name == "knee":
        return "knee of the front"
    best = next(f for f in result.objectives if pick_name(f) == name)
    word = "most" if best.better == "more" else "least"
    others = [f.phrase for f in result.held_to if f is not best]
    if not others:
        return f"{word} {best.phrase}\nof all that keep the limits"
    return f"{word} {best.phrase},\n{' and '.join(others)}\nno worse than the start's"


def _columns(result: SearchResult) -> list[Figure]:
    also = [figure(name) for name in _ALSO]
    there = [f for f in also if f.name != "price" or result.study.stock]
    held = [f for f, _, _ in result.goal.limits if f.name in ROBUST]
    return list(dict.fromkeys([*result.objectives, *held, *there]))


def _row(
    label: str, study: Study, results: xr.Dataset, figures: list[Figure], missed: str
) -> list[object]:
    return [
        label,
        study.rotor.pole_pairs,
        magnets_text(study),
        number(study.rotor.steel_ring_mm),
        *(number(float(results[f.name][0]), f.scale) for f in figures),
        missed,
    ]


def search_json(result: SearchResult) -> dict[str, Any]:
    """Return how a search went, its start and its picks."""
    return {
        "objectives": [f.key for f in result.objectives],
        "designs_judged": len(result.known),
        "designs_feasible": result.feasible,
        "whole_space": result.whole,
        "front_size": len(result.values),
        "front_growth_percent": shown(result.growth, 100),
        "importance_percent": {
            name if name == "front" else figure(name).key: {
                axis: shown(share, 100) for axis, share in shares.items()
            }
            for name, shares in result.importance.items()
        },
        "start": figures_json(result.start),
        "picks": {
            name: {
                "design": index,
                "values": result.values[index],
                **figures_json(result.picked[name]),
                "checks_missed": [
                    c.name
                    for c in check_limits(result.design(index), result.picked[name])
                    if not c.ok
                ],
            }
            for name, index in result.picks.items()
        },
    }
