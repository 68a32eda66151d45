"""The array beside plain alternating layouts in the same envelope, with and without a ring."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr

from arrayopt.checks import check_limits
from arrayopt.checks.buildable import check_buildable
from arrayopt.evaluation import (
    evaluate_batch,
    torque_figure,
    with_details,
)
from arrayopt.figures import figure
from arrayopt.layout import build_layout, build_layouts, missing_room, missing_wall, rotor_masses
from arrayopt.study import Study

_DEPTHS = 24  # magnet thicknesses tried for a plain layout of given mass
LEAST_SIZE = 0.3  # mm or degrees; narrower magnets are not to be had
_WIDEST, _RINGED = "plain, widest magnets", ", steel ring"
_RING_STEP_MM = 0.1  # rings are rounded up to this


@dataclass(frozen=True)
class Comparison:
    """Designs side by side.

    Attributes
    ----------
    studies : dict of str to Study
        By label; the first is the study compared.
    results : xarray.Dataset
        Figures along ``design``, whose coordinate is the label.
    torque : str
        The figure that stands for torque: continuous torque, or motor constant
        where the study has no heat data.
    left_out : tuple of str
        Plain layouts that cannot be built in the envelope, each with the reason.

    Examples
    --------
    >>> from arrayopt import compare, load_study
    >>> comparison = compare(load_study("studies/ankle/study.toml"))
    >>> list(comparison.studies)[:3]
    ['array', 'plain, same magnet mass', 'plain, same magnet mass, steel ring']
    >>> comparison.torque, comparison.torque_per_mass.idxmax().item()
    ('continuous_torque', 'array')
    >>> for line in comparison.verdict()[:2]:
    ...     print(line.partition(",")[0])
    Most continuous torque: plain
    Most continuous torque per rotor mass: array
    """

    studies: dict[str, Study]
    results: xr.Dataset
    torque: str
    left_out: tuple[str, ...]

    @property
    def torque_per_mass(self) -> xr.DataArray:
        """Torque figure over rotor mass, along ``design``."""
        return self.results[self.torque] / self.results["rotor_mass"]

    def verdict(self) -> list[str]:
        """Say who wins by how much, also where the array loses, and what was left out."""
        if len(self.studies) == 1:
            return list(self.left_out)
        shown = figure(self.torque)
        name = shown.phrase
        mass = self.results["rotor_mass"].values * 1e3
        return [
            self._winner(self.results[self.torque].values, f"Most {name}", shown.unit, mass),
            self._winner(
                self.torque_per_mass.values, f"Most {name} per rotor mass", f"{shown.unit}/kg", mass
            ),
            *self._why(),
            *self._saturated(),
            *self.left_out,
        ]

    @property
    def gains(self) -> tuple[float, float] | None:
        """By how much a ring, and by how much the array, raises the widest plain magnets' torque.

        Shares of their torque constant without a ring; None unless there is an array without
        a ring beside both.

        Examples
        --------
        >>> from arrayopt import compare, load_study
        >>> ring, array = compare(load_study("studies/ankle/study.toml")).gains
        >>> ring > array > 0  # at 3 mm of depth
        True
        """
        label = f"{_WIDEST}{_RINGED}"
        first = next(iter(self.studies.values())).rotor
        if label not in self.studies or first.magnets_per_pole_pair == 2 or first.steel_ring_mm > 0:
            return None
        torque = self.results["torque_constant"]
        plain = float(torque.sel(design=_WIDEST))
        return float(torque.sel(design=label)) / plain - 1, float(torque[0]) / plain - 1

    def _why(self) -> list[str]:
        """Say what ring and array do at this depth of magnets, and what tells more."""
        if self.gains is None:
            return []
        ring, array = (100 * gain for gain in self.gains)
        return [
            f"Why: a steel ring makes {ring:.1f} % more of the widest plain magnets' torque "
            "constant, for it mirrors them as if they were deeper; the array of the same depth "
            f"makes {array:.1f} %. A ring's gain fades with deeper magnets, an array's does not.",
            "These rotors differ in mass: `arrayopt layouts` compares layouts at equal mass, each "
            "at its best sizes.",
        ]

    def _saturated(self) -> list[str]:
        """Name the designs whose iron is past its limit: they owe part of their torque."""
        return [
            f"{label}: {check.name} {check.value:.2f} T is past the limit of {check.limit:g} T, "
            "so its true torque is lower than shown."
            for i, (label, study) in enumerate(self.studies.items())
            for check in check_limits(study, self.results.isel(design=[i]))
            if "flux density" in check.name and not check.ok
        ]

    def _winner(self, values: np.ndarray, what: str, unit: str, mass: np.ndarray) -> str:
        labels = list(self.studies)
        best = int(np.argmax(values))
        line = f"{what}: {labels[best]}, {values[best]:.3g} {unit} at {mass[best]:.0f} g"
        if best != 0:
            less = 100 * (1 - values[0] / values[best])
            apart = mass[best] - mass[0]
            weight = f"{abs(apart):.0f} g {'heavier' if apart > 0 else 'lighter'}"
            return f"{line}; {labels[0]} loses by {less:.1f} % (the winning rotor is {weight})."
        second = int(np.argsort(values)[-2])
        more = 100 * (values[best] / values[second] - 1)
        return f"{line}; {more:.1f} % more than {labels[second]}."


def compare(study: Study) -> Comparison:
    """Put a study beside plain alternating layouts with the same stator, gap and pole pairs.

    The plain rotors are: as much magnet mass as the study in magnets of the best
    width and thickness within the same depth; and the widest magnets that leave the
    printed wall, as thick as the study's magnets are deep. Each stands without a steel
    ring and with one just thick enough for its own flux at the study's limit.

    Parameters
    ----------
    study : Study

    Returns
    -------
    Comparison

    Raises
    ------
    StudyError
        If the study's own magnets do not fit or its winding is unbalanced.

    Examples
    --------
    Plain magnets of the same mass give less torque, and a ring behind them more again.

    >>> from arrayopt import compare, load_study
    >>> results = compare(load_study("studies/ankle/study.toml")).results
    >>> array, plain, ringed = (
    ...     results.sel(design=label)
    ...     for label in ("array", "plain, same magnet mass", "plain, same magnet mass, steel ring")
    ... )
    >>> f"{array.magnet_mass * 1e3:.1f} g, {plain.magnet_mass * 1e3:.1f} g"
    '43.2 g, 43.2 g'
    >>> bool(plain.torque_constant < array.torque_constant < ringed.torque_constant)
    True
    >>> bool(plain.rotor_mass < ringed.rotor_mass)
    True
    """
    check_buildable(study)
    label = "array" if study.rotor.magnets_per_pole_pair > 2 else "this design"
    studies = {label: study}
    left_out = []
    for name, candidates in (
        ("plain, same magnet mass", _same_mass(study)),
        (_WIDEST, _widest(study)),
    ):
        if not candidates:
            left_out.append(
                f"{name}: leaves no wall of {study.rotor.wall_mm:g} mm with "
                f"{study.rotor.pole_pairs} pole pairs, so it is left out."
            )
            continue
        best = _strongest(candidates)
        assert best is not None
        studies[name] = best
        ringed = _strongest([c for c in _with_rings(candidates) if _has_room(c)])
        if ringed is None:
            left_out.append(f"{name}{_RINGED}: leaves no shaft, so it is left out.")
        else:
            studies[f"{name}{_RINGED}"] = ringed
    shown = list(studies.values())
    results, _ = with_details(evaluate_batch(shown), shown)
    results = results.assign_coords(design=("design", list(studies)))
    results.attrs.update(title=study.title, study=study.text)
    return Comparison(studies, results, torque_figure(study), tuple(left_out))


def plain_study(study: Study, *, thickness_mm: float, size: float) -> Study:
    """Return the study with plain alternating magnets of a thickness and width or span."""
    size_key = "width_mm" if study.rotor.main.shape == "block" else "span_deg"
    return study.varied(
        {
            "rotor.magnets_per_pole_pair": 2,
            f"rotor.main.{size_key}": float(size),
            "rotor.main.thickness_mm": float(thickness_mm),
            "rotor.main.flush": "gap",
            "rotor.transverse": None,
            "rotor.oblique": None,
            "rotor.steel_ring_mm": 0.0,
            "search": None,
        }
    )


def _depth(study: Study) -> float:
    """Depth of the magnet band [mm]."""
    layout = build_layout(study)
    hi = max(float(shape.hi[0]) for shape in layout.shapes)
    return (hi - min(float(shape.lo[0]) for shape in layout.shapes)) * 1e3


def widest_size(study: Study, thickness_mm: float) -> float:
    """Largest width [mm] or span [deg] of plain magnets that leaves the wall; 0 if none."""
    pitch_deg = 180 / study.rotor.pole_pairs
    radius = study.stator.surface_diameter_mm / 2 + study.airgap.length_mm + thickness_mm
    limit = pitch_deg if study.rotor.main.shape == "arc" else np.radians(pitch_deg) * radius
    thinnest = plain_study(study, thickness_mm=thickness_mm, size=LEAST_SIZE)
    if missing_room(build_layout(thinnest))[0] >= 0:
        return 0.0  # past the shaft's centre
    low, high = 0.0, float(limit)
    for _ in range(40):
        middle = (low + high) / 2
        plain = plain_study(study, thickness_mm=thickness_mm, size=middle)
        fits = missing_wall(build_layout(plain))[0] <= 0
        low, high = (middle, high) if fits else (low, middle)
    return _written(low)


def _written(size: float) -> float:
    """Return a size with the digits that a study file has, rounded down so that it still fits."""
    return float(np.floor(size * 1e6 + 1e-3) / 1e6)


def _widest(study: Study) -> list[Study]:
    """Plain layout as deep as the study's with the widest magnets; empty if none fits."""
    depth = _written(_depth(study))
    size = widest_size(study, depth)
    return [plain_study(study, thickness_mm=depth, size=size)] if size >= LEAST_SIZE else []


def _same_mass(study: Study) -> list[Study]:
    """Plain layouts of the study's magnet mass that fit; deeper ones only if they must be."""
    mass, depth = float(rotor_masses(build_layout(study)).magnets[0]), _depth(study)
    for low, high in ((0.2, 1.0), (1.0, 3.0)):
        candidates = []
        for thickness in map(_written, depth * np.linspace(low, high, _DEPTHS)):
            probe = plain_study(study, thickness_mm=thickness, size=1.0)
            # Mass grows in proportion to width or span at a given thickness.
            size = mass / float(rotor_masses(build_layout(probe)).magnets[0])
            candidates.append(plain_study(study, thickness_mm=thickness, size=_written(size)))
        layout = build_layouts(candidates)
        fits = (missing_wall(layout) <= 0) & (missing_room(layout) < 0)
        fitting = [c for c, fit in zip(candidates, fits, strict=True) if fit]
        if fitting:
            return fitting
    return []


def _strongest(studies: Sequence[Study]) -> Study | None:
    """Return the study of the highest torque constant; None of none."""
    if not studies:
        return None
    return studies[int(np.argmax(evaluate_batch(studies)["torque_constant"].values))]


def _with_rings(studies: Sequence[Study]) -> list[Study]:
    """Give each study the steel ring that its own flux needs."""

    def ringed(study: Study, thickness_mm: float) -> Study:
        return study.varied({"rotor.steel_ring_mm": float(thickness_mm)})

    # The field does not depend on the thickness: the ring is taken as unsaturated.
    needed = evaluate_batch([ringed(s, 1.0) for s in studies])["ring_needed"].values * 1e3
    steps = np.ceil(needed / _RING_STEP_MM - 1e-9) * _RING_STEP_MM
    return [ringed(s, round(t, 6)) for s, t in zip(studies, steps, strict=True)]


def _has_room(study: Study) -> bool:
    return bool(missing_room(build_layout(study))[0] < 0)
