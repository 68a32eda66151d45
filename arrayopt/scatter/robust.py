"""What is left of a design when its rotors scatter: figures that a search may hold to."""

from __future__ import annotations

import numpy as np
import xarray as xr

from arrayopt.field import ORDERS, solve_field
from arrayopt.layout import build_layout
from arrayopt.scatter.outcomes import outcomes, together
from arrayopt.scatter.run import within
from arrayopt.scatter.sources import SOURCES, active_sources, draw, study_ring
from arrayopt.study import Study

ROBUST = ("torque_constant_low", "continuous_torque_low", "tolerance_yield")
_ROTORS = 400  # drawn for each design
_LOW = 5  # percentile


def robust_figures(study: Study, results: xr.Dataset) -> dict[str, float]:
    """Return the figures of `ROBUST` of one evaluated design, SI units.

    All designs are judged by the same draws of the study's seed, so that two of them differ by
    what they are and not by luck; a yield of 400 rotors has a standard error of up to 2.5 %.

    Parameters
    ----------
    study : Study
    results : xarray.Dataset
        Its figures, a batch of one.

    """
    ring = study_ring(study, solve_field(build_layout(study), orders=ORDERS))
    streams = {
        name: np.random.default_rng([study.tolerance.seed, place])
        for place, name in enumerate(SOURCES)
    }
    drawn = [draw(ring, name, _ROTORS, streams[name]) for name in active_sources(study)]
    found = outcomes(ring, together(drawn, ring, _ROTORS))
    low = float(np.percentile(found["torque_share"], _LOW))
    return {
        "torque_constant_low": low * float(results["torque_constant"][0]),
        "continuous_torque_low": low * float(results["continuous_torque"][0]),
        "tolerance_yield": float(within(study, found).mean()),
    }


def with_robust(results: xr.Dataset, study: Study) -> xr.Dataset:
    """Return the figures of one design with those of its scatter filled in."""
    filled = results.copy(deep=True)
    for name, value in robust_figures(study, results).items():
        filled[name].values[0] = value
    return filled
