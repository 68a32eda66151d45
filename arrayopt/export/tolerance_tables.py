"""How far rotors scatter, as text, JSON and CSV."""

from __future__ import annotations

from math import floor, isnan, log10, pi, sqrt
from textwrap import fill

import numpy as np
import xarray as xr

from arrayopt.export.results import shown
from arrayopt.export.text_tables import bullets, number, table_text
from arrayopt.figures import OUTCOMES, OUTCOMES_BY_NAME, Figure, phrase
from arrayopt.machine import cogging_periods, like_poles
from arrayopt.quantities import Array
from arrayopt.scatter.run import kept_by_limit
from arrayopt.scatter.sources import SOURCES, batch_limits, limit_of
from arrayopt.scatter.waves import feeding, perfect_has
from arrayopt.study import Study

# Figures whose scatter is told source by source, with their titles there.
TOLD = {
    "torque_share": "Torque constant",
    "beat": "Beat over a turn",
    "pull": "Pull",
    "cogging_slots": "Slot cogging",
    "least_gap": "Least airgap",
}
GRADE_RANGE = "half the grade's range, "
_NOTHING = 1e-9  # in any unit shown, what rounding leaves
_DIGITS, _MOST_DECIMALS = 4, 5
_LARGEST_WAVES = 4
# Limits that are no lengths: end of their key, unit, value shown over that in SI units.
_UNITS = {
    "temperature": ("k", "K", 1.0),
    "remanence": ("percent", "%", 100.0),
    "angle": ("deg", "deg", 180 / pi),
    "tilt": ("deg", "deg", 180 / pi),
}
_PHASES = ("emf_a", "emf_b", "emf_c")
TOUCHING = (
    "Turn every rotor by hand through a whole turn before it is powered, and again once it is "
    "warm: one that rubs sheds magnets.",
)


def tolerance_text(study: Study, results: xr.Dataset) -> str:
    """Return how far rotors scatter, from what, how many are good and what follows.

    Parameters
    ----------
    study : Study
    results : xarray.Dataset
        As `arrayopt.tolerance` returns it.

    """
    parts = [
        f"{study.title}\n{drawn_text(study, results)}",
        table_text(*outcome_rows(results)),
        _table(spread_title(study, results), spread_rows(study, results)),
        *([balanced_text(study)] if balanced(results) else []),
    ]
    if results.sizes["source"]:
        parts += [
            sources_text(study, results),
            bullets("What a builder gets out of it", advice(study, results)),
        ]
    else:
        parts.append("Nothing scatters: every limit of [tolerance] is 0.")
    if wave_rows(study, results)[0]:
        parts.append(waves_text(study, results))
    parts.append(yield_text(study, results))
    if lines := touching(results):
        parts.append(bullets("Cautions", lines))
    return "\n\n".join(parts)


def _table(title: str, table: tuple[list[list[object]], list[str]]) -> str:
    return f"{title}\n{table_text(*table)}"


def drawn_text(study: Study, results: xr.Dataset) -> str:
    """Say how many rotors were drawn and how."""
    spread = {
        "normal": "normal, 19 of 20 are within plus or minus the limit",
        "uniform": "uniform, all are within plus or minus the limit, evenly spread",
    }
    return (
        f"{results.sizes['rotor']} rotors drawn, seed {results.attrs['seed']}; sources are "
        f"{spread[study.tolerance.distribution]}"
    )


# --- figures ----------------------------------------------------------------------------------


def balanced(results: xr.Dataset) -> bool:
    """Tell whether no rotor has phases of different strength."""
    return bool((results["imbalance"] == 0).all())


def scattered(results: xr.Dataset) -> list[Figure]:
    """Return the figures that a table shows: what this motor has, phases that differ."""
    equal = balanced(results)
    found = []
    for f in OUTCOMES:
        hidden = equal and f.name in ("emf_b", "emf_c", "imbalance")
        if not hidden and float(np.abs(results[f.name].values).max()) * f.scale > _NOTHING:
            found.append(f)
    return found


def figure_title(results: xr.Dataset, f: Figure) -> str:
    """Return a figure's label and unit; where phases are alike, one stands for all."""
    if f.name == "emf_a" and balanced(results):
        return f.title.replace("phase A", "a phase")
    return f.title.replace("Unbalanced magnetic", "Magnetic")


def outcome_rows(results: xr.Dataset) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of the figures: design, mean, deviation, percentiles."""
    rows: list[list[object]] = []
    for f in scattered(results):
        one = results.sel(figure=f.name)
        step = {q: float(one["value"].sel(percentile=q)) for q in (5, 50, 95)}
        own = (float(one[name]) for name in ("nominal", "mean", "deviation"))
        texts = _cells(f, [*own, *step.values()])
        rows.append([figure_title(results, f), *texts])
    return rows, ["Figure", "Design", "Mean", "Deviation", "5 %", "Median", "95 %"]


def _cells(f: Figure, values: list[float], *, digits: int = _DIGITS) -> list[str]:
    """Return values of one figure with as many decimals as the largest of them needs."""
    found = [value * f.scale for value in values]
    largest = max(abs(value) for value in found if not isnan(value))
    places = digits - 1 - floor(log10(largest)) if largest > 0 else 0
    places = min(max(places, 0), _MOST_DECIMALS)
    # Nothing is nothing, without the sign that rounding leaves.
    return ["-" if isnan(v) else f"{round(v, places) + 0.0:.{places}f}" for v in found]


def spread_title(study: Study, results: xr.Dataset) -> str:
    """Say what the second table shows."""
    motors = study.order.motors
    text = "With 95 % confidence the percentiles are between"
    if motors == 1:
        return text
    if np.isnan(results["joint_spread"]).all():
        return f"{text}\n(too few rotors to tell how far {motors} motors of one order lie apart)"
    return (
        f"{text};\nlast, how far the {motors} motors of one order lie apart, of one batch and "
        "equally warm"
    )


def spread_rows(study: Study, results: xr.Dataset) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of the percentiles' confidence and the joints' spread."""
    joints = not bool(np.isnan(results["joint_spread"]).all())
    rows: list[list[object]] = []
    for f in scattered(results):
        one = results.sel(figure=f.name)
        ends = [
            float(one[name].sel(percentile=q))
            for q in (5, 95)
            for name in ("value_low", "value_high")
        ]
        low, high, low_95, high_95, apart = _cells(f, [*ends, float(one["joint_spread"])])
        cells: list[object] = [figure_title(results, f), f"{low} to {high}"]
        cells.append(f"{low_95} to {high_95}")
        rows.append([*cells, *([apart] if joints else [])])
    header = ["Figure", "5 %", "95 %"]
    joint_title = f"Mean range among\n{study.order.motors} motors"
    return rows, [*header, *([joint_title] if joints else [])]


def balanced_text(study: Study) -> str:
    """Say why the phases are alike, as far as it was tried."""
    tried = study.tolerance.off_centre_mm > 0
    cause = "neither magnets nor an off-centre shaft" if tried else "magnets alone do not"
    return (
        f"With this winding {cause} unbalance the phases:\n"
        "the coils of each phase see the same ring, a little later."
    )


# --- sources ----------------------------------------------------------------------------------


def source_limit(study: Study, source: str) -> str:
    """Return the limit of a source in plain words.

    Examples
    --------
    >>> from arrayopt.study import parse_study, starter_text
    >>> source_limit(parse_study(starter_text()), "airgap")
    '0.1 mm'

    """
    t = study.tolerance
    if source == "remanence_batch":
        if t.remanence_batch_percent is not None:
            return f"{t.remanence_batch_percent:g} %"
        percent = batch_limits(study) * 100
        text = _span(float(percent.min()), float(percent.max()))
        return f"{GRADE_RANGE}{text} %"
    if source == "mistakes":
        parts = {
            "missing": t.missing_percent, "flipped": t.flipped_percent,
            "swapped": t.swapped_percent,
        }  # fmt: skip
        return ",\n".join(f"{value:g} % {name}" for name, value in parts.items() if value)
    _, value, unit = limit_parts(study, source)
    return f"{value:g} {unit}"


def _span(low: float, high: float) -> str:
    return f"{low:.2g}" if f"{low:.2g}" == f"{high:.2g}" else f"{low:.2g} to {high:.2g}"


def limit_parts(study: Study, source: str) -> tuple[str, float, str]:
    """Return a limit: end of its key, value, unit; not that of batches and mistakes."""
    end, unit, scale = _UNITS.get(source, ("mm", "mm", 1e3))
    return end, float(shown(limit_of(study, source), scale) or 0.0), unit


def shares(results: xr.Dataset, name: str) -> Array:
    """Return the variance share of each source in a figure, (source,); NaN where it is constant."""
    return np.asarray(results["variance_share"].sel(figure=name).values)


def told_figures(results: xr.Dataset) -> list[str]:
    """Return the names of the figures that are told source by source, that this motor has."""
    return [name for name in TOLD if not np.isnan(shares(results, name)).any()]


def ranked_sources(results: xr.Dataset, names: list[str]) -> list[str]:
    """Return the sources, first those that matter most over some figures."""
    weight = np.sum([shares(results, name) for name in names], axis=0)
    order = np.argsort(-weight, kind="stable")
    return [str(results["source"].values[i]) for i in order]


def sources_text(study: Study, results: xr.Dataset) -> str:
    """Return what each source does to the figures, and where a limit was not given."""
    title = (
        "Where it comes from: percent of each figure's variance, every source by itself; first "
        "what\nmatters most over all columns"
    )
    return "\n".join([_table(title, source_rows(study, results)), *footnotes(study, results)])


def footnotes(study: Study, results: xr.Dataset) -> list[str]:
    """Return what a star in the table of sources means, if there is one."""
    if _grade_range(study, "remanence_batch") and "remanence_batch" in results["source"].values:
        return [
            "* half the grade's range; give tolerance.remanence_batch_percent if your maker "
            "promises better"
        ]
    return []


def _grade_range(study: Study, source: str) -> bool:
    return source == "remanence_batch" and study.tolerance.remanence_batch_percent is None


def source_rows(study: Study, results: xr.Dataset) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of the sources' shares, those that matter most first."""
    names = told_figures(results)
    rows: list[list[object]] = []
    for source in ranked_sources(results, names):
        one = [float(results["variance_share"].sel(figure=n, source=source)) for n in names]
        limit = source_limit(study, source)
        if _grade_range(study, source):
            limit = f"{limit.removeprefix(GRADE_RANGE)} *"
        rows.append([SOURCES[source], limit, *(f"{100 * share:.1f}" for share in one)])
    return rows, ["Source", "Within", *(fill(TOLD[name], 9) for name in names)]


def largest_source(results: xr.Dataset, name: str) -> tuple[str, float] | None:
    """Return the source with the largest share of a figure's variance, and that share."""
    share = shares(results, name)
    if not share.size or np.isnan(share).any():
        return None
    i = int(np.argmax(share))
    return str(results["source"].values[i]), float(share[i])


def advice(study: Study, results: xr.Dataset) -> list[str]:
    """Say what makes torque constant, pull and beat scatter most, and what half of it would do."""
    lines = []
    for name in ("torque_share", "pull", "beat"):
        found = largest_source(results, name)
        if found is None:
            continue
        source, share = found
        f, deviation = OUTCOMES_BY_NAME[name], float(results["deviation"].sel(figure=name))
        # Variances of independent sources add up; half a limit is a quarter of a variance, half
        # as many mistakes are half of one.
        saved = 0.5 if source == "mistakes" else 0.75
        now, then = _cells(f, [deviation, deviation * sqrt(1 - saved * share)], digits=2)
        label = phrase(SOURCES[source])
        limit = "" if source == "mistakes" else f" ({source_limit(study, source)})"
        lines.append(
            f"{TOLD[name]}: {100 * share:.0f} % of the variance is by {label}"
            f"{limit};\n  half of that takes the standard deviation from {now} to about {then} "
            f"{f.shown_unit or f.unit}."
        )
    return lines


# --- waves and cogging ------------------------------------------------------------------------


def shown_waves(study: Study, results: xr.Dataset) -> list[int]:
    """Return the largest waves that a perfect ring lacks, and those that feed cogging."""
    high = results["wave_high"]
    lacking = [int(n) for n in results["wave"].values if not perfect_has(study, int(n))]
    lacking = [n for n in lacking if float(high.sel(wave=n)) * 100 > _NOTHING]
    ranked = sorted(lacking, key=lambda n: -float(high.sel(wave=n)))
    kept = ranked[:_LARGEST_WAVES]
    return sorted({*kept, *(n for n in feeding(study) if n in lacking)})


def wave_rows(study: Study, results: xr.Dataset) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of waves that a perfect ring lacks."""
    fed, p = feeding(study), study.rotor.pole_pairs
    made = {1: "a ring off its shaft makes it too", 2: "an oval ring makes it too"}
    rows: list[list[object]] = []
    for n in shown_waves(study, results):
        share = f"{100 * float(results['wave_high'].sel(wave=n)):.2f}"
        notes = []
        if abs(n - p) in made:
            notes.append(made[abs(n - p)])
        if n in fed:
            notes.append(f"feeds cogging with {fed[n]} waves a turn")
        rows.append([str(n), share, "; ".join(notes)])
    header = ["Waves\na turn", "95 % of rotors below\n[% of the fundamental]", ""]
    return rows, header


def waves_text(study: Study, results: xr.Dataset) -> str:
    """Return the largest waves that a perfect ring lacks, and what cogging comes of them."""
    text = _table(
        "Waves of the airgap's field that a perfect ring lacks, the largest of them",
        wave_rows(study, results),
    )
    return f"{text}\n\n{cogging_text(study)}" if study.stator.kind == "slotted" else text


def cogging_text(study: Study) -> str:
    """Say which cogging comes of magnets that differ, and which a perfect ring has."""
    Q, poles = study.stator.slots, like_poles(study)
    own = cogging_periods(slots=Q, poles=poles)
    if own > 2 * Q:
        return (
            f"Cogging with {Q} and {2 * Q} waves a turn comes of magnets that differ (estimate). "
            f"A perfect ring\ncogs with {own} = lcm({Q} slots, {poles} poles); `arrayopt confirm` "
            "computes that."
        )
    return (
        f"A perfect ring already cogs with {own} = lcm({Q} slots, {poles} poles) waves a turn; "
        "what magnets that\ndiffer add is an estimate, `arrayopt confirm` computes its own."
    )


# --- yield ------------------------------------------------------------------------------------


def yield_text(study: Study, results: xr.Dataset) -> str:
    """Return how many rotors keep the study's limits, or how one is set."""
    if not study.tolerance.limits:
        share = float(results["value"].sel(figure="torque_share", percentile=5)) * 100
        return (
            "Yield: no limits are set. Set them in the study by the figures' keys, the columns of "
            "rotors.csv:\n\n  [tolerance.limits]\n"
            f'  "torque_constant_percent" = {{ at_least = {floor(share * 10) / 10:.1f} }}'
        )
    rows: list[list[object]] = [
        [
            f.title,
            f"{word} {number(bound)}",
            number(float(results["nominal"].sel(figure=f.name)) * f.scale),
            f"{100 * float(kept.mean()):.1f}",
        ]
        for f, word, bound, kept in kept_by_limit(study, results)
    ]
    good, low, high = (
        100 * float(results[name]) for name in ("yield", "yield_low", "yield_high")
    )  # fmt: skip
    text = (
        f"Yield: {good:.1f} % of rotors keep all limits, {low:.1f} to {high:.1f} % with 95 % "
        "confidence"
    )
    if not results["kept"].any():
        text += "\nNOT ONE ROTOR KEEPS THEM: look at the design first, then at the limits."
    return f"{text}\n{table_text(rows, ['Figure', 'Limit', 'Design', 'Kept by [%]'])}"


def touching(results: xr.Dataset) -> list[str]:
    """Return cautions where any of the rotors has no air left."""
    share = 100 * float((results["least_gap"] <= 0).mean())
    if not share:
        return []
    return [
        f"Rotors may touch the stator: {share:.2g} % of them have no air left. Widen "
        "airgap.length_mm, or hold\n  ring and shaft truer.",
        *TOUCHING,
    ]
