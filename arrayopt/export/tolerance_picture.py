"""A picture of how far rotors scatter, and of what."""

from __future__ import annotations

from textwrap import fill
from typing import Any

import numpy as np
import xarray as xr
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Drawing

from arrayopt.export.pictures import BLUE, GREY, INK, ORANGE, RED, STYLE, drawable
from arrayopt.export.tolerance_tables import (
    GRADE_RANGE,
    TOLD,
    largest_source,
    ranked_sources,
    source_limit,
)
from arrayopt.export.typeset import typeset
from arrayopt.figures import OUTCOMES, OUTCOMES_BY_NAME, Figure, phrase
from arrayopt.scatter.sources import SOURCES
from arrayopt.study import Study

# Histograms, the first four that scatter and are not put behind by figures with limits.
_DRAWN = ("torque_share", "beat", "pull", "least_gap", "stray_waves", "cogging_slots")
_BINS = 30
_NOTHING = 1e-9  # in any unit shown, what rounding leaves
_LABEL: dict[str, Any] = {"ha": "center", "va": "bottom", "fontsize": 8}


def tolerance_picture(study: Study, results: xr.Dataset) -> Drawing:
    """Draw histograms of the figures that scatter, and each source's share of two of them.

    Parameters
    ----------
    study : Study
    results : xarray.Dataset
        As `arrayopt.tolerance` returns it.

    Returns
    -------
    matplotlib.figure.Figure

    """
    names = _drawn(study, results)
    with rc_context(STYLE):
        drawing = Drawing(figsize=(10, 6.6), layout="constrained")
        axes = drawing.subplot_mosaic([["0", "1", "bars"], ["2", "3", "bars"]],
                                      width_ratios=[1, 1, 1.15])  # fmt: skip
        for i in range(4):
            if i < len(names):
                _histogram(axes[str(i)], study, results, OUTCOMES_BY_NAME[names[i]])
            else:
                axes[str(i)].axis("off")
        _bars(axes["bars"], study, results)
        lines = "dashed: 5 % and 95 % of rotors; dotted: the design"
        if study.tolerance.limits:
            lines += "; red: the study's limits"
        drawing.suptitle(
            f"{drawable(study.title)}{results.sizes['rotor']} rotors; {lines}",
            fontsize=9,
            parse_math=False,
        )
    return drawing


def _drawn(study: Study, results: xr.Dataset) -> list[str]:
    """Return up to four figures that scatter; those that the study limits go first."""
    limited = [f.name for f in OUTCOMES if f.key in study.tolerance.limits]
    names = dict.fromkeys([*limited, *_DRAWN])
    spread = {n: float(np.ptp(results[n].values)) * OUTCOMES_BY_NAME[n].scale for n in names}
    return [n for n in names if spread[n] > _NOTHING][:4]


def _histogram(ax: Axes, study: Study, results: xr.Dataset, f: Figure) -> None:
    values, one = results[f.name].values * f.scale, results.sel(figure=f.name)
    limit = study.tolerance.limits.get(f.key)
    told = limit.given if limit else []
    ax.hist(values, bins=_BINS, color=BLUE, alpha=0.75)
    top = ax.get_ylim()[1]
    ax.set_ylim(0, 1.16 * top)
    nominal = float(one["nominal"]) * f.scale
    ax.plot([nominal, nominal], [0, top], ":", color=INK, lw=1)
    for q in (5, 95):
        x = float(one["value"].sel(percentile=q)) * f.scale
        ax.plot([x, x], [0, 1.01 * top], "--", color=ORANGE, lw=1.4)
        ax.text(x, 1.02 * top, f"{q} %", **_LABEL)
    for word, x in told:
        ax.axvline(x, color=RED, lw=1.6)
        side = "left" if word == "at least" else "right"
        ax.annotate(
            word, (x, 0.5 * top), (4 if side == "left" else -4, 0), textcoords="offset points",
            ha="left" if side == "left" else "right", rotation=90, va="center", fontsize=8,
            bbox={"fc": "white", "ec": "none", "alpha": 0.7, "pad": 1},
        )  # fmt: skip
    ax.set(xlabel=fill(typeset(f.title), 28), ylabel="Rotors")
    ax.locator_params(axis="x", nbins=4)


def _bars(ax: Axes, study: Study, results: xr.Dataset) -> None:
    """Draw shares of variance of torque constant, pull and beat, or what else has shares."""
    found = [n for n in ("torque_share", "pull", "beat", "least_gap") if largest_source(results, n)]
    pair = found[:3]
    if not pair:
        ax.axis("off")
        return
    sources = ranked_sources(results, pair)
    place = np.arange(len(sources))[::-1].astype(float)
    high = 0.8 / len(pair)
    for k, (name, colour) in enumerate(zip(pair, (ORANGE, GREY, BLUE), strict=False)):
        letter = TOLD[name][0]
        share = results["variance_share"].sel(figure=name, source=sources).values * 100
        at = place + 0.4 - high * (k + 0.5)
        ax.barh(at, share, height=0.9 * high, color=colour, ec=INK, lw=0.5,
                label=f"{letter}: {phrase(TOLD[name])}")  # fmt: skip
        for y, value in zip(at, share, strict=True):
            ax.text(value + 1, y, f"{letter} {value:.0f}", va="center", fontsize=6)
    ax.set_yticks(place, [f"{SOURCES[s]}\n{_brief(source_limit(study, s))}" for s in sources])
    ax.tick_params(axis="y", labelsize=8, length=0)
    ax.set_ylim(-0.7, len(sources) - 0.3)
    ax.set_xlim(0, 112)
    ax.set_xticks(range(0, 101, 20))
    ax.set_xlabel("Share of the variance, by itself [%]")
    ax.legend(frameon=False, loc="lower right")


def _brief(limit: str) -> str:
    return fill(typeset(limit.removeprefix(GRADE_RANGE).replace("\n", " ")), 30)
