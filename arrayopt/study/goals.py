"""What a search may improve and hold to, and what tolerances may be: rules of their keys."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Iterator

from arrayopt.errors import echo, shown_key
from arrayopt.figures import FIGURES, FIGURES_BY_KEY, OUTCOMES_BY_KEY, Figure
from arrayopt.study.models import Study
from arrayopt.study.sections import Bounds

# Figures that a study gives only with these tables.
_NEEDS = {
    "continuous_torque": ("heat",), "continuous_current": ("heat",),
    "joint_torque": ("heat", "joint"), "peak_torque": ("drive",),
    "joint_peak_torque": ("drive", "joint"), "no_load_speed": ("drive",),
    "torque_loss": ("drive",), "tooth_peak": ("drive",), "yoke_peak": ("drive",),
    "thermal_resistance": ("heat",), "winding_temperature": ("heat",),
    "rotor_temperature": ("heat",), "copper_loss": ("heat",), "iron_loss": ("heat",),
    "resistance_hot": ("heat",), "price": ("stock",), "continuous_torque_low": ("heat",),
    "tolerance_yield": ("tolerance limits",),
}  # fmt: skip


def objectives(study: Study) -> tuple[Figure, ...]:
    """Return the figures that a study's search improves."""
    given = study.search.objectives if study.search else None
    if given is None:
        torque = "motor_constant" if study.heat is None else "continuous_torque"
        given = [f.key for f in FIGURES if f.name in (torque, "rotor_mass")]
    return tuple(FIGURES_BY_KEY[key] for key in given)


def limits(study: Study) -> list[tuple[Figure, float | None, float | None]]:
    """Return the figures that a search holds to, with least and greatest value in SI units."""
    rows = []
    for key, bound in study.search.limits.items() if study.search else ():
        f = FIGURES_BY_KEY[key]
        rows.append((f, _si(bound.at_least, f), _si(bound.at_most, f)))
    return rows


def goal_faults(study: Study) -> Iterator[str]:
    """Yield a line for every objective or limit that cannot be one."""
    search = study.search
    if search is None:
        return
    for key in search.objectives or ():
        f = FIGURES_BY_KEY.get(key)
        if f is None:
            yield f"search.objectives: {_unknown(key, FIGURES_BY_KEY)}"
        elif not f.better:
            able = ", ".join(f.key for f in FIGURES if f.better)
            yield f"search.objectives: {key} is neither good nor bad by itself; choose of {able}"
        elif f.name == "bore" and study.rotor.outer:
            yield f"search.objectives: {key} is that of an inner rotor; choose another figure"
        else:
            yield from _lacking(study, f, "search.objectives")
    if search.objectives and len(set(search.objectives)) < len(search.objectives):
        yield f"search.objectives: one comes twice; got {', '.join(search.objectives)}; change one"
    for key, bound in search.limits.items():
        where = f'search.limits."{shown_key(key)}"'
        f = FIGURES_BY_KEY.get(key)
        if f is None:
            yield f"{where}: {_unknown(key, FIGURES_BY_KEY)}"
            continue
        yield from _bound_faults(where, bound)
        yield from _lacking(study, f, where)


def tolerance_faults(study: Study) -> Iterator[str]:
    """Yield a line for every tolerance that cannot be one."""
    t = study.tolerance
    for key, bound in t.limits.items():
        where = f'tolerance.limits."{shown_key(key)}"'
        if key not in OUTCOMES_BY_KEY:
            yield f"{where}: {_unknown(key, OUTCOMES_BY_KEY)}"
        else:
            yield from _bound_faults(where, bound)
    mistakes = t.missing_percent + t.flipped_percent + t.swapped_percent
    if mistakes > 100:
        yield (
            "tolerance.missing_percent, flipped_percent and swapped_percent must be at most 100 "
            f"together; got {mistakes:g}; lower one"
        )


def _bound_faults(where: str, bound: Bounds) -> Iterator[str]:
    low, high = bound.at_least, bound.at_most
    if low is None and high is None:
        yield f"{where} needs at_least or at_most; give one or both"
    elif low is not None and high is not None and low > high:
        yield f"{where}.at_least must not be above at_most; got {low:g} and {high:g}; swap them"


def _lacking(study: Study, f: Figure, where: str) -> Iterator[str]:
    for table in _NEEDS.get(f.name, ()):
        if table == "stock":
            if study.search and study.search.stock is None:
                yield f"{where}: {f.key} comes from a shop list; add search.stock"
        elif table == "tolerance limits":
            if not study.tolerance.limits:
                yield f"{where}: {f.key} counts rotors within limits; add [tolerance.limits]"
        elif getattr(study, table) is None:
            yield f"{where}: {f.key} needs the table [{table}]; add it"


def _unknown(key: str, known: Collection[str]) -> str:
    near = difflib.get_close_matches(key, known, n=3, cutoff=0.5)
    word = key.rsplit(".", maxsplit=1)[-1].partition("_")[0]
    near = near or [one for one in known if word in one][:3]
    remedy = f"did you mean {' or '.join(near)}?" if near else "use a key of the table of figures"
    return f"unknown figure; got {echo(key)}; {remedy}"


def _si(value: float | None, f: Figure) -> float | None:
    return None if value is None else value / f.scale
