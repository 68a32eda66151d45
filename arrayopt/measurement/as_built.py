"""Does the motor do what was computed, and if not, which magnet is to blame? Read this first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from arrayopt.checks.buildable import check_buildable
from arrayopt.errors import ArrayoptError, StudyError, echo, known_ones
from arrayopt.evaluation import evaluate
from arrayopt.field import ORDERS, solve_field
from arrayopt.figures import phrase
from arrayopt.layout import build_layout
from arrayopt.layout.members import Member
from arrayopt.machine import flux_linkages, resistivity
from arrayopt.measurement.estimates import (
    Estimate,
    Reading,
    airgap_slope,
    estimate,
    linkage_left,
)
from arrayopt.measurement.expected import UNITS, expected_readings
from arrayopt.measurement.files import read_measured
from arrayopt.measurement.heat_run import HeatFit, fit_heat_run
from arrayopt.measurement.instruments import GAUSSMETER, VOLTMETER
from arrayopt.measurement.loose import LooseFit, fit_loose
from arrayopt.measurement.records import Cogging, Emf, HeatRun, Loose, Measured, Scan, Sheet
from arrayopt.measurement.scan import ScanFit, fit_scan, scan_model, scan_radius
from arrayopt.measurement.waveforms import CoggingFit, EmfFit, fit_cogging, fit_emf
from arrayopt.quantities import RPM
from arrayopt.scatter.run import ring_tolerance
from arrayopt.scatter.sources import (
    Ring,
    batch_centres,
    batch_limits,
    study_ring,
    without_mistakes,
)
from arrayopt.study import Study

_ROTORS = 1000  # drawn for the bands
_BAND = (1, 99)  # percentiles of the study's tolerances
# By key of the bench sheet: standard uncertainty of the reading over its value, and what it
# depends on. Common practice, no source.
_FLUX = {"remanence": 1.0, "airgap": 1.0}
_VOLTS = {**_FLUX, "meter": 1.0}
_SHEET: dict[str, tuple[float, dict[str, float]]] = {
    "flux_over_main": (0.04, {"remanence": 1.0, "probe": 1.0}),
    "line_resistance": (0.01, {"copper": 1.0}),
    "line_inductance": (0.03, {}),
    "back_emf_peak": (0.04, _VOLTS),  # full tooth tips take more of a peak than of the rest
    "back_emf_rms": (0.012, _VOLTS),
    "back_emf_meter": (0.02, _VOLTS),
    "back_emf_phase_rms": (0.012, _VOLTS),
    "frequency": (0.01, {}),
    "holding_torque": (0.03, _FLUX),
    "no_load_speed": (0.03, {"remanence": -1.0, "airgap": -1.0}),
    "rotor_mass": (0.01, {}),
    "cogging_peak": (0.1, {}),
}
_TOO_STRONG = 0.3  # of the remanence
_FAR = 3.0  # times, or a third: no tolerance does that to a motor
_SLOWEST, _FASTEST = 10.0, 50_000.0  # rpm that a rotor is turned at for its back-EMF
_CONDITIONS = ("speed", "magnet_temperature", "winding_temperature")


@dataclass(frozen=True)
class AsBuilt:
    """A motor as it was measured, beside its study.

    Attributes
    ----------
    study : Study
    measured : tuple
        Records of the files.
    readings : tuple of Reading
    estimates : tuple of Estimate
    scans : tuple of ScanFit
    emfs, coggings, heats, looses : tuple
        What the other files say.
    notes : tuple of str
        What a builder should know about the measurement itself.

    Examples
    --------
    >>> from arrayopt import as_built, load_study
    >>> study = load_study("studies/ankle/study.toml")
    >>> quick = study.with_values({"tolerance.rotors": 200})  # a rough band is enough here
    >>> found = as_built(quick, ["studies/ankle/measured/bench-sheet.csv"])
    >>> [reading.label for reading in found.readings if not reading.agrees]
    ['Back-EMF at 1000 rpm, rms']
    >>> found.agrees, found.wrong  # no scan, so no magnet is blamed
    (False, ())

    The flux linkage, as the readings tell it; by a few percent less than computed.

    >>> linkage = found.estimate("linkage")
    >>> linkage.informed, -0.10 < linkage.change < 0
    (True, True)
    """

    study: Study
    measured: tuple[Measured, ...]
    readings: tuple[Reading, ...]
    estimates: tuple[Estimate, ...]
    scans: tuple[ScanFit, ...]
    emfs: tuple[EmfFit, ...]
    coggings: tuple[CoggingFit, ...]
    heats: tuple[HeatFit, ...]
    looses: tuple[LooseFit, ...]
    notes: tuple[str, ...]

    @cached_property
    def wrong(self) -> tuple[tuple[tuple[Member, ...], str], ...]:
        """Magnets found wrong by any scan, and how."""
        found = [
            (tuple(fit.model.members[i] for i in one.members), one.kind)
            for fit in self.scans for one in fit.wrong
        ]  # fmt: skip
        return tuple(dict.fromkeys(found))

    @property
    def agrees(self) -> bool:
        """Whether the build is as computed, as far as it was measured."""
        return (
            not self.wrong
            and all(reading.agrees is not False for reading in self.readings)
            and all(one.usual for one in self.estimates)
            and all(heat.agrees is None or heat.agrees for heat in self.heats)
            and not any(bag.odd for fit in self.looses for bag in fit.families)
        )

    def estimate(self, name: str) -> Estimate:
        """Return the estimate of this name.

        Parameters
        ----------
        name : str
            ``remanence``, ``airgap``, ``probe``, ``copper`` or ``linkage``.

        Raises
        ------
        ArrayoptError
            If there is none of that name.

        """
        found = {one.name: one for one in self.estimates}
        if name not in found:
            raise ArrayoptError(f"no estimate {name!r}; choose {', '.join(found)}")
        return found[name]


def as_built(study: Study, paths: Sequence[str | Path]) -> AsBuilt:
    """Compare what was measured on a finished motor with its study.

    Parameters
    ----------
    study : Study
    paths : sequence of str or Path
        CSV files, one at least: scans, back-EMF, cogging, heat runs, loose magnets, bench
        sheets. They are told apart by their columns; see `read_measured`.

    Returns
    -------
    AsBuilt

    Raises
    ------
    StudyError
        If the motor cannot be built; else with one line for every fault of the files.

    References
    ----------
    Linear Gaussian estimates (derived), see `arrayopt.measurement.scan` and
    `arrayopt.measurement.estimates`.

    Examples
    --------
    >>> from arrayopt import as_built, load_study
    >>> study = load_study("studies/ankle/study.toml")
    >>> found = as_built(study, ["studies/ankle/measured/scan.csv"])
    >>> for magnets, what in found.wrong:
    ...     print("magnet", *(magnet.number for magnet in magnets), "is", what)
    magnet 23 is flipped
    """
    check_buildable(study)
    measured = read_measured(paths)
    faults = [
        f"{name} is given {count} times; give each file once"
        for name, count in Counter(one.path for one in measured).items() if count > 1
    ]  # fmt: skip
    sheets = tuple(one for one in measured if isinstance(one, Sheet))
    faults += [line for sheet in sheets for line in _sheet_faults(sheet)]
    warm = [s.found["magnet_temperature"] for s in sheets if "magnet_temperature" in s.found]
    there = study.varied({"rotor.magnet_temperature_c": float(warm[0])}) if warm else study
    scans = _each(Scan, measured, lambda scan: _scan(there, scan), faults)
    emfs = _each(Emf, measured, lambda emf: fit_emf(study, emf), faults)
    coggings = _each(Cogging, measured, lambda one: fit_cogging(study, one), faults)
    heats = _each(HeatRun, measured, lambda run: fit_heat_run(study, run), faults)
    looses = _each(Loose, measured, lambda loose: fit_loose(study, loose), faults)
    if faults:
        raise StudyError(faults)
    ring = study_ring(there, solve_field(build_layout(there), orders=ORDERS))
    few = without_mistakes(there, rotors=min(_ROTORS, study.tolerance.rotors))
    scatter = ring_tolerance(Ring(few, ring.layout, ring.field, ring.magnets))
    slope, left = airgap_slope(ring), _left(ring, scans)
    readings = [
        *_of_scans(study, scans),
        *_of_emfs(ring, emfs, scatter, slope=slope, left=left),
        *_of_looses(looses),
    ]
    for sheet in sheets:
        readings += _of_sheet(there, sheet, scatter, slope=slope, left=left)
    readings += _of_coggings(study, coggings, scatter)
    faults = list(_far_off(readings, emfs))
    if not readings and not heats:
        faults.append(
            f"{measured[0].path}: nothing in these files can be held against the study; fill in a "
            "reading of the bench sheet, or give a scan or a back-EMF"
        )
    if faults:
        raise StudyError(faults)
    return AsBuilt(
        study=study, measured=measured, readings=tuple(readings),
        estimates=estimate(study, readings, slope=slope), scans=scans, emfs=emfs, coggings=coggings,
        heats=heats, looses=looses, notes=tuple(_notes(study, scans, emfs, readings, warm)),
    )  # fmt: skip


def _each(kind: type, measured: Sequence[Measured], fit: Any, faults: list[str]) -> tuple[Any, ...]:
    """Return the fits of all records of a kind; faults are gathered, so that all are told."""
    found = []
    for one in measured:
        if isinstance(one, kind):
            try:
                found.append(fit(one))
            except StudyError as fault:
                faults += fault.faults
    return tuple(found)


def _scan(study: Study, scan: Scan) -> ScanFit:
    radius, there = scan_radius(study, scan), scan.stator == "in place"
    return fit_scan(scan_model(study, radius=radius, height=scan.height, in_place=there), scan)


def _left(ring: Ring, scans: Sequence[ScanFit]) -> float:
    """Share of the flux linkage that the magnets leave, as the first scan found them."""
    if not scans:
        return 1.0
    off = scans[0].magnets
    return linkage_left(ring, off[:, 0] - np.median(off[:, 0]), off[:, 1])


def _of_scans(study: Study, scans: Sequence[ScanFit]) -> list[Reading]:
    found = []
    for fit in scans:
        level, sd = fit.level
        middle = 1 + float(np.mean(batch_centres(study)))
        off = float(np.max(batch_limits(study))) + 2 * GAUSSMETER
        found.append(
            Reading(
                "scan", "Scan, level over the study's", "%", fit.scan.path, 100 * level, 100.0,
                100 * (middle - off), 100 * (middle + off), sd, {"remanence": 1.0, "probe": 1.0},
            )
        )  # fmt: skip
    return found


def _of_emfs(
    ring: Ring, emfs: Sequence[EmfFit], scatter: xr.Dataset, *, slope: float, left: float
) -> list[Reading]:
    low, high = np.percentile(scatter["torque_share"], _BAND)
    study, p = ring.study, ring.study.rotor.pole_pairs
    phase = p * float(flux_linkages(ring.layout, ring.field)[0, 0])
    found = []
    for fit in emfs:
        for lead, (constant, sd) in fit.constants.items():
            star = study.winding.connection == "star"
            one = phase * (np.sqrt(3) if len(lead) == 2 and star else 1)
            name = f"{'line' if len(lead) == 2 else 'phase'} {lead.upper()}"
            found.append(
                Reading(
                    f"emf_{lead}", f"Back-EMF constant, {name}", "V s/rad", fit.emf.path, constant,
                    one, float(low) * one, float(high) * one, sd / one,
                    {"remanence": 1.0, "airgap": slope, "meter": 1.0}, left,
                )
            )  # fmt: skip
        for key, label, value, noise in _unevenness(fit):
            top = float(np.percentile(scatter[key], _BAND[1]))
            # A meter and its noise make small ones larger: only the upper end counts.
            found.append(
                Reading(
                    key, label, "%", fit.emf.path, value * 100,
                    float(np.median(scatter[key])) * 100, 0.0, (top + noise) * 100, 0.0, {},
                )
            )  # fmt: skip
    return found


def _unevenness(fit: EmfFit) -> Iterator[tuple[str, str, float, float]]:
    """Yield key, label, value and noise of what a perfect rotor has none of."""
    if fit.beat is not None:
        value, noise = fit.beat
        yield "beat", "Beat of the back-EMF over a turn", value, 0.01 + 2 * noise
    if fit.imbalance is not None:
        # Lines differ by less than the phases that make them, so that these' band holds.
        yield "imbalance", "Imbalance between leads", fit.imbalance, 2 * VOLTMETER


def _of_looses(looses: Sequence[LooseFit]) -> list[Reading]:
    found = []
    for fit in looses:
        probe = fit.loose.kind == "reading"
        # The band is the grade's, a probe has a gain besides.
        room = 2 * GAUSSMETER if probe else 0.0
        found += [
            Reading(
                "loose", f"Remanence of loose magnets, {bag.name}", "T", fit.loose.path, bag.mean,
                bag.expected, bag.low * (1 - room), bag.high * (1 + room), bag.uncertainty,
                {"remanence": 1.0, **({"probe": 1.0} if probe else {})},
            )
            for bag in fit.families
        ]  # fmt: skip
    return found


def _far_off(readings: Sequence[Reading], emfs: Sequence[EmfFit]) -> Iterator[str]:
    """Yield a line for every reading that no tolerance makes: another unit, or another motor."""
    timed = {fit.emf.path: fit.speed / RPM for fit in emfs if fit.measured_speed}
    told = set()
    for one in readings:
        if (not one.depends and one.key not in _SHEET) or one.key == "cogging_peak":
            continue
        ratio = one.found / one.expected
        if 1 / _FAR <= ratio <= _FAR or one.source in told:
            continue
        rpm = timed.get(one.source) if one.key.startswith("emf_") else None
        remedy = None if rpm is None else _other_time(rpm, ratio)
        if remedy:
            told.add(one.source)  # of all its leads at once
            yield f"{one.source}: by its times the speed would be {rpm:.3g} rpm; {remedy}"
        else:
            yield (
                f"{one.source}: {one.label} must be near {one.expected:.4g} {one.unit}; got "
                f"{one.found:.4g} {one.unit}, {ratio:.3g} times that; check its unit, the "
                "leads and the study"
            )


def _other_time(rpm: float, ratio: float) -> str | None:
    """Say which unit the times of a back-EMF have, where speed and volts both tell of another."""
    if rpm < _SLOWEST and 1 / _FAR <= ratio / 1e3 <= _FAR:
        return "is it time_ms? (or time_us, where the column is time_ms now)"
    if rpm > _FASTEST and 1 / _FAR <= ratio * 1e3 <= _FAR:
        return "is it time_s? (or time_ms, where the column is time_us now)"
    return None


def _of_coggings(
    study: Study, coggings: Sequence[CoggingFit], scatter: xr.Dataset
) -> list[Reading]:
    found = []
    names = {study.stator.slots: "cogging_slots", 2 * study.stator.slots: "cogging_twice"}
    if study.stator.kind != "slotted":
        return []  # what there is comes from the rig
    for fit in coggings:
        for waves, value in zip(fit.waves, fit.amplitudes, strict=True):
            if waves not in names:
                continue
            values = scatter[names[waves]] * 1e3
            top = float(np.percentile(values, _BAND[1]))
            found.append(
                Reading(
                    names[waves], f"Cogging, {waves} waves a turn, peak", "mN m",
                    fit.cogging.path, value * 1e3, float(np.median(values)), 0.0,
                    top + 2e3 * fit.uncertainty, 0.0, {},
                )
            )  # fmt: skip
    return found


def _sheet_faults(sheet: Sheet) -> Iterator[str]:
    """Yield a line for every row that is no reading of this motor, or in another unit."""
    for key, unit in sheet.units.items():
        where = f"{sheet.path} line {sheet.lines[key]}"
        if key not in UNITS:
            yield f"{where}: unknown reading; got {echo(key)}; {known_ones(key, list(UNITS))}"
        elif unit and unit != UNITS[key]:
            yield (
                f"{where}: {key} is in {UNITS[key]}; got {echo(unit)}; convert what was found and "
                "put the unit back"
            )
    warm = sheet.found.get("magnet_temperature", 20.0)
    if not -40 <= warm <= 200:
        yield (
            f"{sheet.path} line {sheet.lines['magnet_temperature']}: magnet_temperature must be "
            f"from -40 to 200; got {warm:g}; give it in C"
        )
    for key, value in sheet.found.items():
        if key not in ("magnet_temperature", "winding_temperature", "cogging_peak") and value <= 0:
            yield (
                f"{sheet.path} line {sheet.lines[key]}: {key} must be above 0; got {value:g}; give "
                "the size of what was read"
            )


def _of_sheet(
    study: Study, sheet: Sheet, scatter: xr.Dataset, *, slope: float, left: float
) -> list[Reading]:
    """Hold a filled-in bench sheet against what the study expects under its conditions."""
    winding = sheet.found.get("winding_temperature", 20.0)
    speed = sheet.found.get("speed")
    if speed is None and "frequency" in sheet.found:
        speed = sheet.found["frequency"] * 60 / study.rotor.pole_pairs
    how = {} if speed is None else {"speed_rpm": speed}
    expected = expected_readings(study, evaluate(study), scatter=scatter, **how)
    found = []
    for one in expected:
        if one.key in _CONDITIONS or one.key not in sheet.found:
            continue
        uncertainty, depends = _SHEET[one.key]
        depends = {k: v * (slope if k == "airgap" else 1.0) for k, v in depends.items()}
        factor = left ** depends["remanence"] if "airgap" in depends else 1.0
        scale = 1.0
        if one.key == "line_resistance":
            scale = resistivity(winding) / resistivity(20.0)
        low, high = (one.value if np.isnan(v) else v for v in (one.low, one.high))
        low = 0.0 if one.key == "cogging_peak" else low  # less of it is no fault
        found.append(
            Reading(
                one.key, one.label, one.unit, sheet.path, sheet.found[one.key],
                one.value * scale, low * scale, high * scale, uncertainty, depends, factor,
                # Of what a perfect ring has the fast model knows nothing.
                judged=one.key != "cogging_peak",
            )
        )  # fmt: skip
    return found


def _notes(
    study: Study,
    scans: Sequence[ScanFit],
    emfs: Sequence[EmfFit],
    readings: Sequence[Reading],
    warm: Sequence[float],
) -> Iterator[str]:
    if (scans or emfs) and not warm:
        yield (
            f"magnets are taken to have been at {study.rotor.magnet_temperature_c:g} C as in the "
            "study; a bench sheet says otherwise with its row magnet_temperature"
        )
    for reading in readings:
        if reading.agrees is None:
            yield (
                f"{reading.source}: {phrase(reading.label)}: "
                f"{reading.found:.4g} {reading.unit} is more than magnets that differ make (up to "
                f"{reading.high:.4g}); the rest is a perfect ring's own, which `arrayopt confirm` "
                "computes, or of lever and bearings"
            )
    for fit in scans:
        if fit.inverted:
            yield (
                f"{fit.scan.path}: the probe counts north as negative, or the scan starts half a "
                "pole pair from magnet 1; the former is taken"
            )
        if fit.scan.start == "unknown":
            yield (
                f"{fit.scan.path}: where the scan starts is not known, so numbers count from the "
                "main magnet with its north towards the stator that is nearest to its zero; a "
                "probe that counts north as negative moves them by half a pole pair"
            )
        if any(one.kind == "strong" and one.jumps[0][0] > _TOO_STRONG for one in fit.wrong):
            yield (
                f"{fit.scan.path}: no magnet is so much stronger than the others; look for wrong "
                "rows, a probe that touched, or another study"
            )
        hidden = int((~fit.seen).sum())
        if hidden:
            yield f"{fit.scan.path}: {hidden} magnets are out of its sight and are not judged"
        if fit.scan.skipped:
            yield f"{fit.scan.path}: {fit.scan.skipped} rows without a reading"
    for one in emfs:
        if one.beat is None:
            yield (
                f"{one.emf.path}: less than a turn, or fewer than 6 readings a period, so that no "
                "beat can be told"
            )
    if emfs and not scans:
        yield (
            "back-EMF tells how strong a rotor is but not which magnet is off; scan the bare rotor"
        )
