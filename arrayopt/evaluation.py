"""The chain from studies to figures: layout, field, harmonics, machine. Read this first."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from importlib.metadata import version
from pathlib import Path

import numpy as np
import xarray as xr

from arrayopt.checks.buildable import check_buildable
from arrayopt.checks.demagnetisation import PERCENTILES, Demagnetisation, demagnetisation
from arrayopt.checks.iron import (
    ring_flux_density,
    ring_thickness_needed,
    tooth_flux_density,
    yoke_flux_density,
)
from arrayopt.details import details
from arrayopt.field import ORDERS, solve_field
from arrayopt.figures import FIGURES, Figure
from arrayopt.layout import (
    build_layouts,
    by_make,
    fit_faults,
    magnet_prices,
    printed_walls,
    rotor_masses,
    stock_faults,
)
from arrayopt.machine import (
    end_share,
    harmonic_distortion,
    ideal_share,
    machine_figures,
    winding_faults,
)
from arrayopt.quantities import Array
from arrayopt.study import Study
from arrayopt.study import load_study as load_study_file

_FIT_KEYS = (
    "rotor.position", "rotor.pole_pairs", "rotor.magnets_per_pole_pair", "rotor.remanence",
    "rotor.length_mm",
    "rotor.main", "rotor.transverse", "rotor.oblique", "rotor.wall_mm", "rotor.clearance_mm",
    "rotor.steel_ring_mm", "airgap.length_mm", "stator.surface_diameter_mm", "stator.stack_mm",
)  # fmt: skip


_WINDING_KEYS = (
    "stator.slots", "rotor.pole_pairs", "winding.coil_span_slots", "winding.layers",
    "winding.parallel_paths", "rotor.skew_steps", "rotor.skew_step_deg",
)  # fmt: skip


_STOCK_KEYS = ("search", "rotor", "airgap.length_mm", "stator.surface_diameter_mm")


def load_study(path: str | Path) -> Study:
    """Read a study file and check that its magnets fit and its winding is balanced.

    Parameters
    ----------
    path : str or Path
        TOML file; ``-`` reads standard input.

    Returns
    -------
    Study

    Raises
    ------
    StudyError
        With one line for every fault found: no such file, text that is no TOML, keys that are
        unknown, missing or out of range, keys at odds with each other, magnets that do not
        fit, a winding that is not balanced, a shop list with faults of its own.

    Examples
    --------
    >>> from arrayopt import load_study
    >>> study = load_study("studies/ankle/study.toml")
    >>> study.rotor.pole_pairs, study.stator.slots, study.airgap.length_mm
    (16, 36, 1.0)
    """
    return load_study_file(
        path,
        checks=(
            (_FIT_KEYS, fit_faults),
            (_WINDING_KEYS, winding_faults),
            (_STOCK_KEYS, stock_faults),
        ),
    )


def evaluate(study: Study) -> xr.Dataset:
    """Compute all figures of one study.

    Parameters
    ----------
    study : Study

    Returns
    -------
    xarray.Dataset
        Dims ``design`` (1), ``harmonic`` and those of `arrayopt.details.details`; names
        and units as in `arrayopt.figures`, NaN where the study has no data for a figure.
        Along ``family`` (and ``percentile``) the reverse field in the magnets [A/m]. Figures
        of scattered rotors stay NaN; `tolerance` and `sweep` compute them.

    Raises
    ------
    StudyError
        If magnets do not fit or the winding is unbalanced.

    References
    ----------
    Each stage names its own: `arrayopt.field` magnets, iron (Carter) and ends,
    `arrayopt.machine` winding (star of slots), inductance, saturation and heat,
    `arrayopt.checks.demagnetisation` the reverse field.

    Examples
    --------
    >>> from arrayopt import evaluate, load_study
    >>> study = load_study("studies/ankle/study.toml")
    >>> results = evaluate(study)
    >>> f"{results.continuous_torque[0]:.2f} {results.continuous_torque.units}"
    '1.13 N m'
    >>> f"{results.rotor_mass[0] * 1e3:.0f} g"
    '84 g'

    Deeper magnets give more torque and weigh more.

    >>> deeper = evaluate(study.with_values({"rotor.main.thickness_mm": 3.5}))
    >>> bool(deeper.torque_constant[0] > results.torque_constant[0])
    True
    >>> bool(deeper.magnet_mass[0] > results.magnet_mass[0])
    True

    Waveforms and curves come with their axes.

    >>> results.line_emf.dims, results.torque_peak.dims, results.speed.units
    (('angle',), ('speed',), 'rad/s')
    """
    check_buildable(study)
    results, curves = with_details(evaluate_batch([study]), [study])
    found = judged_magnets(study, results)
    results["demagnetised"].values[0] = found.share
    parts = [results, curves[0], _family_results(found)]
    return xr.merge(parts).assign_attrs(title=study.title, study=study.text, **results.attrs)


def judged_magnets(study: Study, results: xr.Dataset) -> Demagnetisation:
    """Judge the magnets of an evaluated study as warm as they get at continuous torque.

    Or at ``rotor.magnet_temperature_c`` if that is hotter; ferrite is judged at the colder of
    that and the ambient temperature too, 20 C where none is given.
    """
    warm = [study.rotor.magnet_temperature_c, float(results["rotor_temperature"][0])]
    ambient = study.heat.ambient_c if study.heat else 20.0
    return demagnetisation(
        study,
        temperature_c=float(np.nanmax(warm)),
        coldest_c=min(ambient, study.rotor.magnet_temperature_c),
    )


def _family_results(found: Demagnetisation) -> xr.Dataset:
    """Return the reverse field of each family along ``family`` and ``percentile``."""
    families = found.families
    text = "Reverse field along the polarisation"
    columns = {
        "reverse_limit": ("A/m", "Reverse field that the grade bears", [f.limit for f in families]),
        "beyond": ("1", "Volume past that limit", [f.share for f in families]),
        "judged_at": ("degC", "Temperature that is judged", [f.temperature_c for f in families]),
    }
    return xr.Dataset(
        {
            **{n: ("family", v, {"units": u, "long_name": t}) for n, (u, t, v) in columns.items()},
            "reverse_field": (
                ("family", "percentile"),
                np.array([f.percentiles for f in families]),
                {"units": "A/m", "long_name": text},
            ),
        },
        coords={
            "family": [f.name for f in families],
            "percentile": ("percentile", np.array(PERCENTILES), {"units": "percent"}),
            "grade": ("family", [f.grade for f in families]),
            "grade_enough": ("family", [f.enough or "" for f in families]),
        },
    )


def with_details(
    results: xr.Dataset, studies: Sequence[Study]
) -> tuple[xr.Dataset, list[xr.Dataset]]:
    """Fill in the figures that only `details` computes; return each study's curves too."""
    filled, curves = results.copy(deep=True), []
    for i, study in enumerate(studies):
        figures, curve = details(study)
        for name, value in figures.items():
            filled[name].values[i] = value
        curves.append(curve)
    return filled, curves


def evaluate_batch(studies: Sequence[Study]) -> xr.Dataset:
    """Compute the figures of many studies that fit and have balanced windings.

    Figures that take longer, `evaluate` adds: saturation, peak torque, demagnetisation.

    Parameters
    ----------
    studies : sequence of Study
        Of any make; those of one make go through the field kernel together. Whether their
        magnets fit is not checked: figures of magnets that overlap have no meaning.

    Returns
    -------
    xarray.Dataset
        Dims ``design``, in the order given, and ``harmonic``; SI units. What `evaluate` adds is
        NaN.

    Raises
    ------
    ValueError
        If a winding is not balanced.

    Examples
    --------
    >>> from arrayopt import evaluate_batch, load_study
    >>> study = load_study("studies/ankle/study.toml")
    >>> widths = [3.0, 3.5, 4.0]
    >>> results = evaluate_batch([study.with_values({"rotor.main.width_mm": w}) for w in widths])
    >>> dict(results.sizes)
    {'design': 3, 'harmonic': 15}
    >>> bool((results.torque_constant.diff("design") > 0).all())
    True
    >>> bool(results.peak_torque.isnull().all())
    True
    """
    columns = {f.name: np.full(len(studies), np.nan) for f in FIGURES}
    amplitudes, linkages = np.full((2, len(studies), len(ORDERS)), np.nan)
    for members in by_make(enumerate(studies)):
        part, amplitudes[members], linkages[members] = _one_make([studies[i] for i in members])
        for name, values in part.items():
            columns[name][members] = values
    return xr.Dataset(
        {
            **{
                f.name: ("design", columns[f.name], {"units": _udunits(f), "long_name": f.label})
                for f in FIGURES
            },
            "linkage": (
                ("design", "harmonic"),
                linkages,
                {"units": "Wb", "long_name": "Flux linkage of a phase, no load, peak, signed"},
            ),
            "amplitude": (
                ("design", "harmonic"),
                amplitudes,
                {"units": "T", "long_name": "Radial flux density at the stator surface, peak"},
            ),
        },
        coords={"harmonic": ("harmonic", ORDERS, {"units": "1"})},
        attrs=_versions(),
    )


def _udunits(f: Figure) -> str:
    """Return the unit as NetCDF has it: a plain C would be coulombs there."""
    return "degC" if f.unit == "C" else f.unit


@cache
def _versions() -> dict[str, str]:
    """Return what repeats a computation; looking versions up takes as long as some designs."""
    return {"arrayopt_version": version("arrayopt"), "magpylib_version": version("magpylib")}


def _one_make(studies: Sequence[Study]) -> tuple[dict[str, Array], Array, Array]:
    layout = build_layouts(studies)
    field = solve_field(layout, orders=ORDERS)
    machine = machine_figures(layout, field)
    masses = rotor_masses(layout)
    # The sign tells north from south at angle zero; a builder wants the size.
    waves = field.surface * np.sign(field.surface[0])
    columns = {
        "fundamental": waves[0],
        "distortion": harmonic_distortion(field.surface, ORDERS),
        "ideal_share": ideal_share(field),
        "end_share": end_share(field),
        "carter": field.carter,
        **{name: value for name, value in vars(machine).items() if name != "linkages"},
        "magnet_mass": masses.magnets,
        "ring_mass": masses.ring,
        "carrier_mass": masses.carrier,
        "other_mass": masses.other,
        "rotor_mass": masses.rotor,
        "inertia": masses.inertia,
        "outer_diameter": 2 * masses.outermost_radius,
        "bore": 2 * masses.bore_radius,
        "wall": printed_walls(layout).thickness.min(axis=0),
        "least_edge": layout.least_edge,
        "price": magnet_prices(layout),
        "ring_needed": np.where(layout.ring_thickness > 0, ring_thickness_needed(field), np.nan),
        "tooth_flux_density": tooth_flux_density(field),
        "yoke_flux_density": yoke_flux_density(field),
        "ring_flux_density": ring_flux_density(field),
    }
    return columns, waves.T, machine.linkages.T


def torque_figure(study: Study) -> str:
    """Name the figure that stands for torque: motor constant where there are no heat data."""
    return "motor_constant" if study.heat is None else "continuous_torque"
