"""What was found of a motor, in words: wrong magnets, verdict, reasons."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil, degrees, nan, pi

import numpy as np

from arrayopt.export.text_tables import number
from arrayopt.layout.members import Member
from arrayopt.machine import mean_turn
from arrayopt.measurement.as_built import AsBuilt
from arrayopt.measurement.estimates import Estimate, Reading
from arrayopt.measurement.scan import ScanFit
from arrayopt.quantities import MM, Array
from arrayopt.study import Study

_POINTS = 0.3  # of the remanence: a magnet with less has no direction worth a number
WRONG_WAY = "the wrong way round"


@dataclass(frozen=True)
class Finding:
    """Magnets that one or more scans found wrong.

    Attributes
    ----------
    members : tuple of Member
        One, or two that are exchanged.
    kind : str
        As `arrayopt.measurement.faults.Wrong` has it.
    share : float
        Remanence of the (first) magnet against the mean, as a change.
    evidence : float
        Natural logarithm of the odds for it.
    places : tuple of (str, tuple of float)
        By scan its path and the angles there, as the file counts them [deg].
    instead : tuple of (tuple of Member, str)
        Other explanations that are nearly as likely.

    """

    members: tuple[Member, ...]
    kind: str
    share: float
    evidence: float
    places: tuple[tuple[str, tuple[float, ...]], ...]
    instead: tuple[tuple[tuple[Member, ...], str], ...]

    @property
    def numbers(self) -> tuple[int, ...]:
        """Numbers of the pockets."""
        return tuple(member.number for member in self.members)


def findings(found: AsBuilt) -> tuple[Finding, ...]:
    """Return every finding once, with its place in every scan that shows it."""
    told: dict[tuple[tuple[Member, ...], str], Finding] = {}
    for fit in found.scans:
        for one in fit.wrong:
            members = tuple(fit.model.members[i] for i in one.members)
            angles = tuple(scan_angle(fit, member) for member in members)
            place = (fit.scan.path, angles)
            before = told.get((members, one.kind))
            told[members, one.kind] = Finding(
                members, one.kind, float(fit.magnets[one.members[0], 0]),
                max(one.evidence, before.evidence if before else one.evidence),
                (*(before.places if before else ()), place),
                before.instead if before else tuple(
                    (tuple(fit.model.members[i] for i in who), kind) for who, kind in one.instead
                ),
            )  # fmt: skip
    return tuple(sorted(told.values(), key=lambda one: one.numbers))


def scan_angle(fit: ScanFit, member: Member) -> float:
    """Return where a magnet is in a scan's file [deg], within its rows where it can be."""
    turn = degrees(member.angle + fit.start) * (-1 if fit.scan.clockwise else 1)
    least = degrees(float(fit.scan.angle.min()))
    return turn + 360 * ceil((least - turn) / 360 - 1e-9)


def remanence_and_direction(fit: ScanFit) -> tuple[Array, Array]:
    """Return what each magnet is against the mean, and the uncertainty of that.

    Of a magnet that is turned, its two components make one length and one direction.

    Returns
    -------
    found, uncertain : ndarray, shape (member, 2)
        Change of remanence [1] and turn of the polarisation, anticlockwise [rad]; the turn of
        a magnet that is missing is NaN.

    """
    along, across = 1 + fit.magnets[:, 0], fit.magnets[:, 1]
    r = np.maximum(np.hypot(along, across), 1e-6)
    a, c = along / r, across / r
    sa, sc = fit.uncertain.T
    turn = np.where(r < _POINTS, nan, np.arctan2(across, along))
    spread = np.where(r < _POINTS, nan, np.hypot(c * sa, a * sc) / r)
    return np.stack([r - 1, turn], axis=1), np.stack([np.hypot(a * sa, c * sc), spread], axis=1)


def kind_words(members: Sequence[Member], kind: str, share: float | None = None) -> str:
    """Say what is wrong, e.g. ``the wrong way round, its north points in``."""
    first = members[0]
    if kind == "swapped":
        return "exchanged"
    if kind == "flipped":
        return f"{WRONG_WAY}, its north points {_north(first, pi)}"
    if kind.startswith("turned"):
        sense = kind.removeprefix("turned ")
        turn = pi / 2 if sense == "anticlockwise" else -pi / 2
        return f"a quarter turn off, {sense}, its north points {_north(first, turn)}"
    if kind in ("weak", "strong") and share is not None:
        return f"{kind}, {100 * abs(share):.0f} % {'less' if share < 0 else 'more'} than the others"
    return kind


def _north(member: Member, turn: float) -> str:
    return replace(member, direction=(member.direction + turn) % (2 * pi)).north


def finding_sentence(one: Finding) -> str:
    """Return a finding as a sentence without its full stop."""
    return f"{_named(one)}: {kind_words(one.members, one.kind, one.share)}"


def _named(one: Finding) -> str:
    """E.g. ``magnet 21 (transverse, north should point anticlockwise)``."""
    rows = [f", row {m.row}" if m.row > 1 else "" for m in one.members]
    each = [
        f"{m.family}{row}, north should point {m.north}"
        for m, row in zip(one.members, rows, strict=True)
    ]
    if len(one.members) == 1:
        return f"magnet {one.numbers[0]} ({each[0]})"
    return f"{magnets_words(one.numbers)} ({'; '.join(each)})"


def magnets_words(numbers: Sequence[int]) -> str:
    """Return ``magnet 7``, or ``magnets 7 and 8``."""
    return ("magnets " if len(numbers) > 1 else "magnet ") + " and ".join(map(str, numbers))


def finding_lines(one: Finding, names: dict[str, str]) -> str:
    """Say what is wrong, where it is in the scans and what else it may be."""
    where = "; ".join(
        f"at {' and '.join(f'{a:.1f}' for a in angles)} deg of file {names[path]}"
        for path, angles in one.places
    )
    text = f"{finding_sentence(one)}; {where}"
    if one.instead:
        others = [
            f"{magnets_words([m.number for m in who])} {kind_words(who, kind)}"
            for who, kind in one.instead
        ]
        text += f"; or: {'; or '.join(others)}"
    return text


def verdict(found: AsBuilt) -> str:
    """Say in one line whether the build is as computed."""
    if found.agrees:
        hidden = sum(int((~fit.seen).sum()) for fit in found.scans)
        unseen = f" {hidden} magnets are out of the scan's sight and not judged." if hidden else ""
        return f"Agrees with the computation as far as it was measured.{unseen}"
    return "Does not agree with the computation:"


def reasons(found: AsBuilt) -> list[str]:
    """Name what does not agree: magnets, readings, estimates, heat runs, loose magnets."""
    return [
        *(finding_sentence(one) for one in findings(found)),
        *(
            f"{reading.label}: {_of_unit(reading)} found, {span_words(reading)} expected"
            for reading in found.readings if reading.agrees is False
        ),
        *(_unusual(found.study, one) for one in found.estimates if not one.usual),
        *(
            f"Thermal resistance: {number(fit.thermal_resistance)} K/W found, "
            f"{number(fit.study_resistance)} counted on"
            for fit in found.heats if fit.agrees is not None and not fit.agrees
        ),
        *(
            f"loose {bag.name} magnet{'s' if len(bag.odd) > 1 else ''} {', '.join(bag.odd)}: far "
            "from the others of the bag"
            for fit in found.looses for bag in fit.families if bag.odd
        ),
    ]  # fmt: skip


def _of_unit(reading: Reading) -> str:
    return f"{number(reading.found)} {reading.unit}".strip()


def _unusual(study: Study, one: Estimate) -> str:
    name, unit, decimals, first, value, sd = quantity(study, one)
    return (
        f"{name}: {value:.{decimals}f} +- {sd:.{decimals}f} {unit} instead of "
        f"{first:.{decimals}f}, outside the tolerances"
    )


def span_words(reading: Reading) -> str:
    """Return the band of a reading."""
    if reading.low == reading.high:
        return f"about {number(reading.expected)}"
    return f"{number(reading.low)} to {number(reading.high)}"


def quantity(study: Study, one: Estimate) -> tuple[str, str, int, float, float, float]:
    """Name, unit, decimals, the study's value, the found one and its uncertainty, as shown."""
    if one.name == "airgap":
        first = study.airgap.length_mm
        return "Airgap", "mm", 3, first, first + one.change / MM, one.uncertainty / MM
    name, unit, decimals, first = {
        "remanence": ("Remanence of main magnets, 20 C", "T", 3, main_remanence(study)),
        "linkage": ("Flux linkage over the study's", "%", 1, 100.0),
        "probe": ("Gain of the probe", "%", 1, 100.0),
        "copper": ("Wire in one turn of a coil", "mm", 2, mean_turn(study) / MM),
    }[one.name]
    return name, unit, decimals, first, first * (1 + one.change), first * one.uncertainty


def main_remanence(study: Study) -> float:
    """Remanence that the study counts on for its main magnets, at 20 C [T]."""
    return float(study.magnet_grade(study.rotor.main.grade or study.rotor.grade).remanence)
