"""What if: every figure of a study over one or two keys that take other values."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Iterable, Mapping, Sequence
from itertools import product
from math import floor, prod
from typing import Any

import numpy as np
import xarray as xr

from arrayopt.checks import check_limits
from arrayopt.details import BY_DETAILS
from arrayopt.errors import NothingFeasibleError, StudyError, echo, shown_key
from arrayopt.evaluation import evaluate_batch, judged_magnets, torque_figure, with_details
from arrayopt.figures import FIGURES, FIGURES_BY_KEY
from arrayopt.layout import build_layouts, by_make, fit_faults, missing_room, missing_wall
from arrayopt.machine import winding_faults
from arrayopt.scatter.robust import ROBUST, with_robust
from arrayopt.study import Study, contradictions
from arrayopt.study.keys import key_named, unit_of
from arrayopt.study.variables import value_fault

MOST_DESIGNS = 10_000
_FIXED = ("title", "search", "materials")


def sweep(
    study: Study, vary: Mapping[str, Sequence[Any]], *, figures: Collection[str] = ()
) -> xr.Dataset:
    """Compute the figures of a study for all combinations of other values of one or two keys.

    Parameters
    ----------
    study : Study
        Its search is left out of account.
    vary : mapping of str to sequence
        One or two study keys and the values that each takes.
    figures : collection of str
        Keys of figures wanted besides the quick ones: what saturation and demagnetisation
        leave take 0.02 and 0.2 s a design, tolerances 0.1 s; NaN unless one of them is here.

    Returns
    -------
    xarray.Dataset
        A dim a key, named by the last part of the key, and ``harmonic``; figures by their
        names in SI units, NaN where the design cannot be built; ``reason`` why not, and
        ``limits_missed``, both texts that are empty where all is well.

    Raises
    ------
    StudyError
        With one line for every fault of the keys, values and figures asked for.
    NothingFeasibleError
        If none of the designs can be built.

    Examples
    --------
    >>> from arrayopt import load_study, sweep
    >>> study = load_study("studies/ankle/study.toml")
    >>> found = sweep(study, {"airgap.length_mm": [0.8, 1.2], "rotor.main.width_mm": [4.0, 15.0]})
    >>> torque = found.torque_constant
    >>> dict(torque.sizes), torque.units
    ({'length_mm': 2, 'width_mm': 2}, 'N m/A')
    >>> bool(torque.sel(length_mm=0.8, width_mm=4.0) > torque.sel(length_mm=1.2, width_mm=4.0))
    True

    Magnets of 15 mm do not fit, which is told.

    >>> bool(torque.sel(width_mm=15.0).isnull().all())
    True
    >>> str(found.reason.sel(length_mm=0.8, width_mm=15.0).item()).partition(" stand ")[0]
    'rotor: main magnets'

    Figures that take longer are asked for by their keys.

    >>> peak = "machine.peak_torque_nm"
    >>> found = sweep(study, {"winding.turns_per_coil": [10, 12]}, figures=[peak])
    >>> bool(found.peak_torque[0] < found.peak_torque[1])
    True
    """
    # Values of numpy's ranges count as plain numbers.
    vary = {
        key: [v.item() if isinstance(v, np.generic) else v for v in values]
        for key, values in vary.items()
    }
    figures = [figures] if isinstance(figures, str) else figures
    faults = _faults(study, vary, figures)
    if faults:
        raise StudyError(faults)
    study_alone = study.model_copy(update={"search": None})
    combinations = list(product(*vary.values()))
    studies = [study_alone.varied(dict(zip(vary, c, strict=True))) for c in combinations]
    reasons = _reasons(studies)
    built = [i for i, reason in enumerate(reasons) if not reason]
    if not built:
        told = "; ".join(dict.fromkeys(reasons))
        raise NothingFeasibleError(f"none of the {len(studies)} designs can be built: {told}")
    results = evaluate_batch([studies[i] for i in built])
    results = _with_costly(results, [studies[i] for i in built], figures)
    missed = [""] * len(studies)
    for k, i in enumerate(built):
        checks = check_limits(studies[i], results.isel(design=[k]))
        missed[i] = "; ".join(check.name for check in checks if not check.ok)
    return _on_grid(
        results, built, vary, {"reason": reasons, "limits_missed": missed}
    ).assign_attrs(results.attrs, study=study.text, title=study.title)


def parse_vary(texts: Iterable[str]) -> dict[str, list[Any]]:
    """Return keys and values of texts such as ``airgap.length_mm=0.8:1.6:0.2``.

    Raises
    ------
    StudyError
        With one line for every text that is no key with a range or a list.

    Examples
    --------
    >>> parse_vary(["rotor.pole_pairs=10,14", "airgap.length_mm=1:1.5:0.25"])
    {'rotor.pole_pairs': [10, 14], 'airgap.length_mm': [1.0, 1.25, 1.5]}
    """
    found: dict[str, list[Any]] = {}
    faults = []
    for text in texts:
        key, equals, values = (part.strip() for part in text.partition("="))
        try:
            if not equals or not values:
                raise ValueError("has no values")
            if key in found:
                raise ValueError("comes twice")
            found[key] = _values(key, values)
        except ValueError as fault:
            faults.append(
                f"--vary {shown_key(text)}: {fault}; write KEY=LOW:HIGH:STEP or KEY=VALUE,VALUE,..."
            )
    if faults:
        raise StudyError(faults)
    return found


def _values(key: str, text: str) -> list[Any]:
    told = key_named(key)
    whole = told is not None and told.kind == "whole number"
    words = told is not None and told.kind in ("text", "one of")
    if words or ":" not in text:
        return [_one(part.strip(), whole=whole, words=words) for part in text.split(",")]
    parts = [_one(part.strip(), whole=whole, words=False) for part in text.split(":")]
    if len(parts) != 3 or any(isinstance(part, str) for part in parts):
        raise ValueError("is no range LOW:HIGH:STEP of numbers")
    low, high, step = parts
    if not step > 0:
        raise ValueError(f"has a step that is not above 0; got {step:g}")
    if low > high:
        raise ValueError(f"has a low end above its high end; got {low:g} and {high:g}")
    count = (high - low) / step
    if count > MOST_DESIGNS:
        raise ValueError(f"has {count:.3g} values, more than {MOST_DESIGNS}")
    steps = [low + i * step for i in range(floor(count + 1e-9) + 1)]
    return steps if whole else [round(value, 9) for value in steps]


def _one(text: str, *, whole: bool, words: bool) -> Any:
    """Return one value: a number where it is one and the key takes numbers."""
    if not text:
        raise ValueError("has an empty value")
    if words:
        return text
    for kind in (int,) if whole else (float,):
        try:
            value = kind(text)
        except ValueError:
            continue
        if not np.isfinite(value):
            raise ValueError(f"has a value that is not finite; got {text}")
        return value
    return text


def _faults(study: Study, vary: Mapping[str, Sequence[Any]], figures: Collection[str]) -> list[str]:
    faults = []
    if not 1 <= len(vary) <= 2:
        faults.append(f"--vary must name one or two keys; got {len(vary)}; name one or two")
    for key, values in vary.items():
        fault = value_fault(study, key, values)
        if key.split(".", maxsplit=1)[0] in _FIXED:
            fault = " is not something a sweep may change; name another key"
        if fault is not None:
            faults.append(f"--vary {shown_key(key)}{fault}")
        elif len(set(values)) < len(values):
            faults.append(f"--vary {shown_key(key)} has a value twice; give each once")
    count = prod(len(values) for values in vary.values())
    if count > MOST_DESIGNS:
        faults.append(f"--vary gives {count} designs, more than {MOST_DESIGNS}; take larger steps")
    for key in figures:
        if key not in FIGURES_BY_KEY:
            near = difflib.get_close_matches(key, FIGURES_BY_KEY, n=2, cutoff=0.5)
            remedy = f"did you mean {' or '.join(near)}?" if near else "see the table of figures"
            faults.append(f"--figure: unknown figure; got {echo(key)}; {remedy}")
    return faults


def _reasons(studies: Sequence[Study]) -> list[str]:
    """Return why each study cannot be built; nothing of one that can."""
    reasons = ["; ".join(contradictions(s) or winding_faults(s)) for s in studies]
    for members in by_make((i, study) for i, study in enumerate(studies) if not reasons[i]):
        layout = build_layouts([studies[i] for i in members])
        tight = (missing_room(layout) >= 0) | (missing_wall(layout) > 0)
        for i in np.array(members)[tight]:
            reasons[i] = "; ".join(fit_faults(studies[i]))
    return reasons


def _with_costly(
    results: xr.Dataset, studies: Sequence[Study], figures: Collection[str]
) -> xr.Dataset:
    names = {FIGURES_BY_KEY[key].name for key in figures}
    if names & BY_DETAILS:
        results, _ = with_details(results, studies)
    if names & set(ROBUST):
        parts = [with_robust(results.isel(design=[i]), s) for i, s in enumerate(studies)]
        results = xr.concat(parts, dim="design")
    if "demagnetised" in names:
        shares = [judged_magnets(s, results.isel(design=[i])).share for i, s in enumerate(studies)]
        results["demagnetised"] = results["demagnetised"].copy(data=shares)
    return results


def _on_grid(
    results: xr.Dataset,
    built: list[int],
    vary: Mapping[str, Sequence[Any]],
    texts: dict[str, list[str]],
) -> xr.Dataset:
    """Lay designs out along a dim a key."""
    names = dimension_names(list(vary))
    shape = [len(values) for values in vary.values()]
    columns: dict[str, Any] = {}
    for name, column in results.data_vars.items():
        rest = column.shape[1:]
        grid = np.full((prod(shape), *rest), np.nan)
        grid[built] = column.values
        dims = [*names, *(str(dim) for dim in column.dims[1:])]
        columns[str(name)] = (dims, grid.reshape(*shape, *rest), column.attrs)
    for name, cells in texts.items():
        columns[name] = (names, np.array(cells, dtype=object).reshape(shape).astype(str))
    coords = {
        name: (name, list(values), {"units": unit_of(key), "long_name": key})
        for name, (key, values) in zip(names, vary.items(), strict=True)
    }
    return xr.Dataset(columns, coords={**coords, "harmonic": results["harmonic"]})


def dimension_names(keys: list[str]) -> list[str]:
    """Name the dim of each key by its last part, and the table before it where two are alike.

    Examples
    --------
    >>> dimension_names(["rotor.main.width_mm", "rotor.transverse.width_mm"])
    ['main_width_mm', 'transverse_width_mm']
    """
    short = [key.rsplit(".", maxsplit=1)[-1] for key in keys]
    if len(set(short)) == len(short):
        return short
    return ["_".join(key.split(".")[-2:]) for key in keys]


def default_figures(study: Study) -> list[str]:
    """Return the keys of the figures that a sweep shows where none are asked for."""
    return [f.key for f in FIGURES if f.name in (torque_figure(study), "rotor_mass")]
