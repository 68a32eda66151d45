"""Tolerance: the figures of thousands of rotors as they come off a printer and out of a bag."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from importlib.metadata import version
from typing import Any

import numpy as np
import xarray as xr
from scipy.stats import binom, binomtest

from arrayopt.checks.buildable import check_buildable
from arrayopt.field import ORDERS, solve_field
from arrayopt.figures import OUTCOMES, OUTCOMES_BY_KEY, Figure
from arrayopt.layout import build_layout
from arrayopt.quantities import Array
from arrayopt.scatter.outcomes import outcomes, together
from arrayopt.scatter.sources import SOURCES, Drawn, Ring, active_sources, draw, study_ring
from arrayopt.study import Study

PERCENTILES = (1, 5, 50, 95, 99)
SURE = 0.95  # of all confidence intervals
_BLOCK = 1000  # rotors worked on at once; part of what a seed means
_ALONE = 2000  # rotors, at most, that tell each source's share
_GROUPS = 500  # sets of motors, at most, that tell the spread between joints
_BATCH = ("remanence_batch", "temperature")  # alike for motors that are built together


def tolerance(study: Study) -> xr.Dataset:
    """Compute how far rotors scatter when magnets, print and assembly are a little off.

    Every source of [tolerance] is drawn by itself; what it does to each wave of the field is
    added up by unit responses of every magnet, so that a rotor costs a matrix row.

    Parameters
    ----------
    study : Study

    Returns
    -------
    xarray.Dataset
        Along ``rotor`` the figures of `OUTCOMES`; along ``source`` and ``figure`` the
        ``variance_share``; along ``figure`` ``nominal``, ``mean`` and ``deviation``, along
        ``percentile`` too ``value`` with ``value_low`` and ``value_high``; along ``wave`` the
        95th percentile ``wave_high`` of the surface's waves over the fundamental; ``kept``
        which rotors are within the study's limits, ``yield`` with ``yield_low`` and
        ``yield_high``; ``joint_spread``, the mean range between the motors of one order. Intervals
        are those of 95 % confidence.

    Raises
    ------
    StudyError
        If the motor cannot be built.

    Examples
    --------
    >>> from arrayopt import load_study, tolerance
    >>> study = load_study("studies/ankle/study.toml")
    >>> found = tolerance(study.with_values({"tolerance.rotors": 200}))
    >>> torque = found.sel(figure="torque_constant")  # N m/A
    >>> weak, strong = torque.value.sel(percentile=[5, 95])
    >>> bool(weak < torque.nominal < strong)
    True
    >>> torque.variance_share.idxmax().item()  # what scatters it most
    'airgap'

    How many rotors are within limits of your own.

    >>> limits = {"torque_constant_percent": {"at_least": 95}}
    >>> strict = study.with_values({"tolerance.rotors": 200, "tolerance.limits": limits})
    >>> share = tolerance(strict)
    >>> bool(share["yield_low"] < share["yield"] < share["yield_high"])
    True
    """
    check_buildable(study)
    ring = study_ring(study, solve_field(build_layout(study), orders=ORDERS))
    return ring_tolerance(ring)


def ring_tolerance(ring: Ring) -> xr.Dataset:
    """Compute the scatter of a rotor whose field is known."""
    study = ring.study
    active = active_sources(study)
    count = study.tolerance.rotors
    blocks = [min(_BLOCK, count - start) for start in range(0, count, _BLOCK)]
    streams = {
        name: np.random.SeedSequence([study.tolerance.seed, place]).spawn(len(blocks))
        for place, name in enumerate(SOURCES)
    }
    all_of, alone, built, waves = [], [], [], []
    for i, size in enumerate(blocks):
        drawn = {
            name: draw(ring, name, size, np.random.default_rng(streams[name][i])) for name in active
        }
        whole = together(list(drawn.values()), ring, size)
        all_of.append(outcomes(ring, whole))
        waves.append(_relative(ring, whole))
        if i * _BLOCK < _ALONE:
            alone.append([outcomes(ring, together([drawn[n]], ring, size)) for n in active])
        if study.order.motors > 1 and i * _BLOCK < _GROUPS * study.order.motors:
            rest = [one for name, one in drawn.items() if name not in _BATCH]
            built.append(outcomes(ring, together(rest, ring, size)))
    found = {f.name: np.concatenate([block[f.name] for block in all_of]) for f in OUTCOMES}
    return _dataset(
        ring, found, active=active, alone=alone, built=built, waves=np.concatenate(waves)
    )


def perfect(ring: Ring) -> dict[str, float]:
    """Return the figures of the rotor as designed."""
    nothing = together([], ring, 1)
    return {name: float(values[0]) for name, values in outcomes(ring, nothing).items()}


def interval(values: Array, percentile: float) -> tuple[float, float]:
    """Return a confidence interval of a percentile from the order of the values.

    Examples
    --------
    >>> interval(np.arange(1000.0), 50)
    (468.0, 531.0)

    References
    ----------
    Order statistics and the binomial distribution (David & Nagaraja 2003, from memory).

    """
    ranked, n = np.sort(values), len(values)
    low, high = binom.interval(SURE, n, percentile / 100)
    # So far out that too few values lie beyond: no end is known with that confidence.
    return (
        float(ranked[int(low) - 1]) if low >= 1 else float("nan"),
        float(ranked[int(high)]) if high < n else float("nan"),
    )


def _relative(ring: Ring, rotors: Drawn) -> Array:
    """Amplitudes of the surface's waves over the fundamental, shape (rotor, wave)."""
    N, p = len(ring.magnets.waves), ring.study.rotor.pole_pairs
    surface = ring.parts(ring.perfect + rotors.waves)[0].mean(axis=1)
    kept = min(N, max(3 * p + 1, ring.study.stator.slots + p))
    return np.asarray(np.abs(surface[:, :kept]) / np.abs(surface[:, p - 1, None]))


def _dataset(
    ring: Ring,
    found: dict[str, Array],
    *,
    active: Sequence[str],
    alone: list[list[dict[str, Array]]],
    built: list[dict[str, Array]],
    waves: Array,
) -> xr.Dataset:
    names = [f.name for f in OUTCOMES]
    values = np.array([found[name] for name in names])  # (figure, rotor)
    steps = np.percentile(values, PERCENTILES, axis=1).T
    sure = np.array([[interval(row, q) for q in PERCENTILES] for row in values])
    kept = within(ring.study, found)
    share = binomtest(int(kept.sum()), len(kept)).proportion_ci(SURE)
    nominal = perfect(ring)
    columns = {
        **{f.name: ("rotor", found[f.name], {"units": f.unit, "long_name": f.label})
           for f in OUTCOMES},
        "nominal": ("figure", [nominal[name] for name in names]),
        "mean": ("figure", values.mean(axis=1)),
        "deviation": ("figure", values.std(axis=1, ddof=1)),
        "value": (("figure", "percentile"), steps),
        "value_low": (("figure", "percentile"), sure[..., 0]),
        "value_high": (("figure", "percentile"), sure[..., 1]),
        "variance_share": (("figure", "source"), _shares(names, active, alone)),
        "joint_spread": ("figure", _spread(ring.study.order.motors, names, built)),
        "wave_high": ("wave", np.percentile(waves, 95, axis=0), {"units": "1"}),
        "kept": ("rotor", kept),
        "yield": ((), float(kept.mean())),
        "yield_low": ((), float(share.low)),
        "yield_high": ((), float(share.high)),
    }  # fmt: skip
    return xr.Dataset(
        columns,
        coords={
            "figure": names,
            "percentile": ("percentile", list(PERCENTILES), {"units": "percent"}),
            "source": list(active),
            "wave": ("wave", np.arange(1, waves.shape[1] + 1), {"units": "1/turn"}),
        },
        attrs={
            "title": ring.study.title, "study": ring.study.text,
            "seed": ring.study.tolerance.seed, "arrayopt": version("arrayopt"),
        },
    )  # fmt: skip


def within(study: Study, found: dict[str, Array]) -> Array:
    """Tell which rotors are within all limits of [tolerance.limits], shape (rotor,)."""
    every = np.ones(len(found["pull"]), dtype=bool)
    parts = [kept for *_, kept in kept_by_limit(study, found)]
    return np.asarray(np.all([every, *parts], axis=0))


def kept_by_limit(
    study: Study, found: Mapping[Any, Any]
) -> Iterator[tuple[Figure, str, float, Array]]:
    """Give each end of each limit: figure, end in words, its value, which rotors keep it.

    Parameters
    ----------
    study : Study
    found : mapping
        By the names of `OUTCOMES` arrays of shape (rotor,), or the Dataset of `tolerance`.

    """
    for key, bound in study.tolerance.limits.items():
        f = OUTCOMES_BY_KEY[key]
        values = np.asarray(found[f.name]) * f.scale
        for word, limit in bound.given:
            yield f, word, limit, values >= limit if word == "at least" else values <= limit


def _shares(
    names: Sequence[str], active: Sequence[str], alone: list[list[dict[str, Array]]]
) -> Array:
    """Return the variance that each source has alone, over the sum; shape (figure, source)."""
    found = np.array(
        [
            [np.concatenate([block[s][name] for block in alone]).var() for s in range(len(active))]
            for name in names
        ]
    ).reshape(len(names), len(active))
    # What rounding leaves of figures that nothing changes is no scatter.
    scale = np.array([np.abs(alone[0][0][name]).mean() if active else 0 for name in names])
    found[found < (1e-12 * scale[:, None]) ** 2] = 0
    total = found.sum(axis=1, keepdims=True)
    return np.asarray(np.divide(found, total, out=np.full_like(found, np.nan), where=total > 0))


def _spread(motors: int, names: Sequence[str], built: list[dict[str, Array]]) -> Array:
    """Return the mean range between motors built from one batch; NaN for a single motor."""
    if not built:
        return np.full(len(names), np.nan)
    found = []
    for name in names:
        values = np.concatenate([block[name] for block in built])
        groups = len(values) // motors
        if not groups:
            return np.full(len(names), np.nan)
        found.append(np.ptp(values[: groups * motors].reshape(groups, motors), axis=1).mean())
    return np.array(found)
