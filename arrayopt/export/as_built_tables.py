"""A motor as it was measured, as text, JSON and CSV."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import ceil, degrees, isnan, nan, pi
from textwrap import fill
from typing import Any

import numpy as np

from arrayopt.checks.hazards import ASSEMBLING, HANDLING
from arrayopt.export.files import csv_text
from arrayopt.export.results import shown
from arrayopt.export.tables import bullets, number, table_text
from arrayopt.layout.build import MM
from arrayopt.layout.members import Member
from arrayopt.layout.shapes import Array
from arrayopt.machine import mean_turn
from arrayopt.measurement.apply import changes
from arrayopt.measurement.as_built import AsBuilt
from arrayopt.measurement.estimates import Estimate, Reading
from arrayopt.measurement.heat_run import HeatFit
from arrayopt.measurement.records import Cogging, Emf, HeatRun, Loose, Measured, Scan
from arrayopt.measurement.scan import ScanFit
from arrayopt.study import Study

_WIDE = 98
_NAME = 70  # characters of a file's name
_LABEL = 30  # of a reading's
_POINTS = 0.3  # of the remanence: a magnet with less has no direction worth a number
_TOLD = 0.005  # what wrong magnets leave is told from here
WRONG_WAY = "the wrong way round"

FREE_POCKET = (
    "A free pocket lets its neighbours jump or turn over: hold both down with wood or brass "
    "before the magnet between them comes out, and until the next one is in."
)
TOOLS = "Soften the bond as the glue's maker says and push, never lever with steel or strike."


# --- magnets --------------------------------------------------------------------------------


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
    return f"{_magnets(one.numbers)} ({'; '.join(each)})"


def _magnets(numbers: Sequence[int]) -> str:
    return ("magnets " if len(numbers) > 1 else "magnet ") + " and ".join(map(str, numbers))


def _finding_lines(one: Finding, names: dict[str, str]) -> str:
    where = "; ".join(
        f"at {' and '.join(f'{a:.1f}' for a in angles)} deg of file {names[path]}"
        for path, angles in one.places
    )
    text = f"{finding_sentence(one)}; {where}"
    if one.instead:
        others = [
            f"{_magnets([m.number for m in who])} {kind_words(who, kind)}"
            for who, kind in one.instead
        ]
        text += f"; or: {'; or '.join(others)}"
    return text


# --- the verdict ----------------------------------------------------------------------------


def verdict(found: AsBuilt) -> str:
    """Say in one line whether the build is as computed."""
    if found.agrees:
        return "Agrees with the computation as far as it was measured."
    return "Does not agree with the computation:"


def reasons(found: AsBuilt) -> list[str]:
    """Name what does not agree: magnets, readings, estimates, heat runs, loose magnets."""
    return [
        *(finding_sentence(one) for one in findings(found)),
        *(
            f"{reading.label}: {_of_unit(reading)} found, {_span(reading)} expected"
            for reading in found.readings if not reading.agrees
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
    name, unit, decimals, first, value, sd = _quantity(study, one)
    return (
        f"{name}: {value:.{decimals}f} +- {sd:.{decimals}f} {unit} instead of "
        f"{first:.{decimals}f}, outside the tolerances"
    )


# --- text -----------------------------------------------------------------------------------


def as_built_text(found: AsBuilt) -> str:
    """Return the verdict, readings beside what was expected, estimates and findings."""
    names = file_numbers(found)
    parts = [found.study.title]
    first = reasons(found)
    parts.append(_bullets(verdict(found).rstrip(":"), first) if first else verdict(found))
    parts.append(table_text(*_file_rows(found)))
    if found.readings:
        parts += [table_text(*reading_rows(found, names)), _reading_words(found)]
    parts += _estimate_parts(found)
    for fit in found.scans:
        parts += _scan_parts(fit, names[fit.scan.path])
    wrong = findings(found)
    if wrong:
        parts.append(_bullets("Wrong magnets", [_finding_lines(one, names) for one in wrong]))
    parts += _other_parts(found, names)
    if found.notes:
        parts.append(_bullets("Notes", list(found.notes)))
    todo = next_steps(found)
    if todo:
        parts.append(_bullets("What to do next", todo))
    if wrong:
        careful = [FREE_POCKET, TOOLS, HANDLING[0], *ASSEMBLING[:2], *ASSEMBLING[-2:]]
        parts.append(_bullets("Cautions", careful))
    return "\n\n".join(parts)


def _bullets(title: str, lines: Iterable[str]) -> str:
    """Return lines as a list, folded."""
    folded = [
        fill(line, _WIDE, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)
        for line in lines
    ]
    return bullets(title, folded)


def file_numbers(found: AsBuilt) -> dict[str, str]:
    """Return a short number for every file."""
    paths = dict.fromkeys(one.path for one in found.measured)
    return {path: str(i) for i, path in enumerate(paths, start=1)}


def _file_rows(found: AsBuilt) -> tuple[list[list[object]], list[str]]:
    rows: list[list[object]] = [
        [str(i), _short(one.path), record_words(one)]
        for i, one in enumerate({one.path: one for one in found.measured}.values(), start=1)
    ]
    return rows, ["File", "Name", "Taken for"]


def _short(path: str) -> str:
    return path if len(path) <= _NAME else "..." + path[3 - _NAME :]


def record_words(one: Measured) -> str:
    """Say what a file was taken for."""
    if isinstance(one, Scan):
        return f"scan, {len(one.angle)} readings"
    if isinstance(one, Emf):
        leads = ", ".join(lead.upper() for lead in one.volts)
        return f"back-EMF, {leads}"
    if isinstance(one, Cogging):
        return f"cogging, {len(one.angle)} readings"
    if isinstance(one, HeatRun):
        return f"heat run, {len(one.time)} readings"
    if isinstance(one, Loose):
        return f"{len(one.labels)} loose magnets"
    return f"bench sheet, {len(one.found)} found"


def reading_rows(found: AsBuilt, names: dict[str, str]) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of every reading beside what is expected."""
    rows: list[list[object]] = [
        [
            fill(reading.label, _LABEL), number(reading.found), number(reading.expected),
            _span(reading),
            reading.unit, "yes" if reading.agrees else "NO", names[reading.source],
        ]
        for reading in found.readings
    ]  # fmt: skip
    return rows, ["Reading", "Found", "Expected", "Band", "Unit", "Agrees", "File"]


def _span(reading: Reading) -> str:
    if reading.low == reading.high:
        return f"about {number(reading.expected)}"
    return f"{number(reading.low)} to {number(reading.high)}"


def _reading_words(found: AsBuilt) -> str:
    text = (
        "Expected is of right magnets and the study's sizes; the band is that of its tolerances, "
        "and a reading may lie two standard uncertainties of its measurement beyond it."
    )
    left = min((reading.factor for reading in found.readings), default=1.0)
    if left < 1 - _TOLD:
        text += (
            f" The magnets as they were found leave {100 * left:.1f} % of the flux linkage; "
            "estimates count with that."
        )
    return fill(text, _WIDE)


def _quantity(study: Study, one: Estimate) -> tuple[str, str, int, float, float, float]:
    """Name, unit, decimals, the study's value, the found one and its uncertainty, as shown."""
    if one.name == "airgap":
        first = study.airgap.length_mm
        return "Airgap", "mm", 3, first, first + one.change / MM, one.uncertainty / MM
    name, unit, decimals, first = {
        "remanence": ("Remanence of main magnets, 20 C", "T", 3, main_remanence(study)),
        "probe": ("Gain of the probe", "%", 1, 100.0),
        "copper": ("Wire in one turn of a coil", "mm", 2, mean_turn(study) / MM),
    }[one.name]
    return name, unit, decimals, first, first * (1 + one.change), first * one.uncertainty


def main_remanence(study: Study) -> float:
    """Remanence that the study counts on for its main magnets, at 20 C [T]."""
    return float(study.magnet_grade(study.rotor.main.grade or study.rotor.grade).remanence)


def standing(one: Estimate) -> str:
    """Say in a word how much readings tell of an estimate."""
    if one.uncertainty > one.first * (1 - 1e-6):
        return "not measured"
    if not one.usual:
        return "outside the tolerances"
    return "measured" if one.informed else "not told apart by these readings"


def estimate_rows(found: AsBuilt) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of what the readings say together."""
    rows: list[list[object]] = []
    for one in found.estimates:
        name, unit, decimals, first, value, sd = _quantity(found.study, one)
        word = standing(one)
        cells = [f"{v:.{decimals}f}" for v in (first, value, sd)]
        if word == "not measured":
            cells[1:] = ["-", "-"]
        rows.append([name, *cells, unit, word])
    return rows, ["Motor as built", "Study", "Found", "+-", "Unit", ""]


def _estimate_parts(found: AsBuilt) -> Iterator[str]:
    if all(standing(one) == "not measured" for one in found.estimates):
        return
    yield table_text(*estimate_rows(found))
    yield fill(
        "+- is one standard uncertainty. What readings cannot tell apart is shared out by how far "
        "the tolerances let each be off.", _WIDE,
    )  # fmt: skip


# --- a scan ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Shared:
    """A quantity that all magnets of a scan share, in shown units."""

    name: str
    key: str
    value: float
    uncertainty: float
    unit: str
    remark: str


def shared_rows(fit: ScanFit) -> tuple[Shared, ...]:
    """Return level, start, offset and how the rotor sat on its table."""
    sense = -1 if fit.scan.clockwise else 1
    turn = (degrees(fit.start) * sense + 180) % 360 - 180
    (offset, of_offset), (distance, of_distance) = fit.shared["offset"], fit.shared["distance"]
    moved = _pair(fit, "moved x", "moved y")
    oval = _pair(fit, "oval cos", "oval sin")
    towards, long = _nearest(fit, moved[2]), _nearest(fit, oval[2] / 2)
    opposite = _nearest(fit, oval[2] / 2 + pi)
    return (
        Shared("Level over the study's", "level_percent", 100 * fit.level[0], 100 * fit.level[1],
               "%", "magnets and probe together"),
        Shared("Magnet 1 is at", "start_deg", turn, degrees(fit.shared["turn"][1]), "deg",
               "in the file"),
        Shared("What is left, rms", "noise_mt", fit.noise * 1e3, nan, "mT", "noise of a reading"),
        Shared("Offset", "offset_mt", offset * 1e3, of_offset * 1e3, "mT", _told(fit, "offset")),
        Shared("Probe too far off by", "distance_mm", distance / MM, of_distance / MM, "mm",
               _told(fit, "distance")),
        Shared("Rotor off its table's axis by", "eccentricity_mm", moved[0], moved[1], "mm",
               _told(fit, "moved x", "moved y")
               or _seen(moved, f"towards magnet {towards.number}")),
        Shared("Ring oval, radius by", "oval_mm", oval[0], oval[1], "mm",
               _told(fit, "oval cos", "oval sin")
               or _seen(oval, f"longest at magnets {long.number} and {opposite.number}")),
    )  # fmt: skip


def _pair(fit: ScanFit, x: str, y: str) -> tuple[float, float, float]:
    """Length [mm], uncertainty [mm] and direction [rad] of two entries."""
    (a, sa), (b, sb) = fit.shared[x], fit.shared[y]
    r = float(np.hypot(a, b))
    spread = np.hypot(a * sa, b * sb) / r if r > 0 else max(sa, sb)
    return r / MM, float(spread) / MM, float(np.arctan2(b, a))


def _nearest(fit: ScanFit, angle: float) -> Member:
    count = len(fit.model.members) // fit.model.study.rotor.skew_steps
    return min(fit.model.members[:count], key=lambda m: abs((m.angle - angle + pi) % (2 * pi) - pi))


def _told(fit: ScanFit, *names: str) -> str:
    """Say where the scan tells no more than was known before."""
    first = np.sqrt(fit.model.variance[-len(fit.shared) :])
    places = list(fit.shared)
    vague = any(fit.shared[name][1] > 0.8 * first[places.index(name)] for name in names)
    return "not told by this scan" if vague else ""


def _seen(pair: tuple[float, float, float], where: str) -> str:
    return where if pair[0] > 2 * pair[1] else "none to be seen"


def _scan_parts(fit: ScanFit, file: str) -> list[str]:
    rows: list[list[object]] = [
        [one.name, _fixed(one, one.value), "-" if isnan(one.uncertainty) else
         _fixed(one, one.uncertainty), one.unit, one.remark]
        for one in shared_rows(fit)
    ]  # fmt: skip
    parts = [table_text(rows, [f"Scan of file {file}", "Found", "+-", "Unit", ""])]
    words = list(_magnet_words(fit))
    return [*parts, _bullets("Its magnets", words)] if words else parts


def _fixed(one: Shared, value: float) -> str:
    return f"{value:.{ {'mm': 3, 'deg': 2, 'mT': 2, '%': 1}[one.unit] }f}"


def _magnet_words(fit: ScanFit) -> Iterator[str]:
    """Tell the weakest, the strongest, the most turned, and which are out of sight."""
    values, spread = remanence_and_direction(fit)
    wrong = [i for one in fit.wrong for i in one.members]
    judged = fit.seen.copy()
    judged[wrong] = False
    kept = np.flatnonzero(judged)
    if len(kept):
        low, high = kept[np.argmin(values[kept, 0])], kept[np.argmax(values[kept, 0])]
        turned = kept[np.argmax(np.abs(values[kept, 1]))]
        others = "besides the wrong ones: " if wrong else ""
        told = [
            f"{word} {fit.model.members[i].number} ({100 * values[i, 0]:+.1f} +- "
            f"{100 * spread[i, 0]:.1f} %)"
            for word, i in (("weakest", low), ("strongest", high))
        ]
        yield (
            f"{others}{told[0]}, {told[1]}, most turned {fit.model.members[turned].number} "
            f"({degrees(values[turned, 1]):+.1f} +- {degrees(spread[turned, 1]):.1f} deg, "
            "anticlockwise is positive); against their mean"
        )
        yield (
            f"a magnet may be weaker by {_hiding(fit)} and not be found: a place or a direction "
            "within the tolerances looks alike, so that values lean towards the mean"
        )
    hidden = [m.number for m, seen in zip(fit.model.members, fit.seen, strict=True) if not seen]
    if hidden:
        yield f"out of sight, not judged: {number_ranges(hidden)}"


def _hiding(fit: ScanFit) -> str:
    """By how much magnets may be weaker unseen, family by family."""
    families = dict.fromkeys(member.family for member in fit.model.members)
    told = []
    for name in families:
        here = [m.family == name and s for m, s in zip(fit.model.members, fit.seen, strict=True)]
        if any(here):
            told.append(f"{100 * float(np.median(fit.weakest[here])):.0f} % ({name})")
    return " or ".join(told)


def number_ranges(numbers: Sequence[int]) -> str:
    """Return numbers in short.

    Examples
    --------
    >>> number_ranges([1, 2, 3, 7, 9, 10])
    '1 to 3, 7, 9, 10'
    """
    breaks = [0, *(i + 1 for i, (a, b) in enumerate(pairwise(numbers)) if b != a + 1)]
    runs = [numbers[a:b] for a, b in pairwise([*breaks, len(numbers)])]
    return ", ".join(
        f"{run[0]} to {run[-1]}" if len(run) > 2 else ", ".join(map(str, run)) for run in runs
    )


# --- other files ----------------------------------------------------------------------------


def _other_parts(found: AsBuilt, names: dict[str, str]) -> list[str]:
    parts = []
    if found.emfs:
        parts.append(table_text(*_emf_rows(found, names)))
    if found.coggings:
        parts.append(table_text(*_cogging_rows(found, names)))
    if found.looses:
        parts.append(table_text(*_loose_rows(found, names)))
    parts += [table_text(*_heat_rows(fit, names[fit.run.path])) for fit in found.heats]
    return parts


def _emf_rows(found: AsBuilt, names: dict[str, str]) -> tuple[list[list[object]], list[str]]:
    rows: list[list[object]] = [
        [
            lead.upper(), number(fit.speed * 30 / pi), f"{constant:.4g}", f"{sd:.2g}",
            *("-" if isnan(h) else f"{100 * h:.1f}" for h in fit.harmonics[lead][1:]),
            names[fit.emf.path],
        ]
        for fit in found.emfs for lead, (constant, sd) in fit.constants.items()
    ]  # fmt: skip
    orders = [f"{k}th\n[%]" if k > 3 else "3rd\n[%]" for k in (3, 5, 7)]
    return rows, ["Back-EMF", "Speed\n[rpm]", "Peak over speed\n[V s/rad]", "+-", *orders, "File"]


def _cogging_rows(found: AsBuilt, names: dict[str, str]) -> tuple[list[list[object]], list[str]]:
    rows: list[list[object]] = []
    for fit in found.coggings:
        sd = f"{fit.uncertainty * 1e3:.2f}"
        for waves, peak in zip(fit.waves, fit.amplitudes, strict=True):
            rows.append([f"{waves} waves a turn, peak", f"{peak * 1e3:.2f}", sd, "mN m",
                         names[fit.cogging.path]])  # fmt: skip
        rows.append(["mean: friction and iron loss", f"{fit.drag * 1e3:.2f}", sd, "mN m",
                     names[fit.cogging.path]])  # fmt: skip
    return rows, ["Cogging", "Found", "+-", "Unit", "File"]


def _loose_rows(found: AsBuilt, names: dict[str, str]) -> tuple[list[list[object]], list[str]]:
    rows: list[list[object]] = [
        [
            bag.name, str(len(bag.labels)), f"{bag.mean:.3f}", f"{100 * bag.scatter:.1f}",
            f"{bag.expected:.3f}", f"{bag.low:.3f} to {bag.high:.3f}",
            fill(", ".join(bag.odd), 24) or "none", names[fit.loose.path],
        ]
        for fit in found.looses for bag in fit.families
    ]  # fmt: skip
    header = ["Loose\nmagnets", "Number", "Mean\n[T]", "Scatter\n[%]", "Study\n[T]",
              "Grade's\nrange [T]", "Odd ones", "File"]  # fmt: skip
    return rows, header


_AGREES = {True: "agrees", False: "DOES NOT AGREE"}


def _heat_rows(fit: HeatFit, file: str) -> tuple[list[list[object]], list[str]]:
    how = "by resistance" if fit.by_resistance else "by thermometer"
    agrees = "no [heat] in the study" if fit.agrees is None else _AGREES[bool(fit.agrees)]
    rows: list[list[object]] = [
        ["Thermal resistance, winding to air", f"{fit.thermal_resistance:.3f}",
         f"{fit.thermal_resistance_uncertainty:.3f}",
         "-" if isnan(fit.study_resistance) else f"{fit.study_resistance:.3f}", "K/W", agrees],
        ["Time constant", f"{fit.time_constant / 60:.2f}",
         f"{fit.time_constant_uncertainty / 60:.2f}", "-", "min", ""],
        ["Copper loss, settled", f"{fit.loss:.3f}", "-", "-", "W", ""],
        ["Rise it settles at", f"{fit.steady_rise:.1f}", "-", "-", "K", how],
        ["Share of it reached", f"{100 * fit.share:.1f}", "-", "-", "%",
         "" if fit.steady else "stopped early"],
    ]  # fmt: skip
    return rows, [f"Heat run of file {file}", "Found", "+-", "Study", "Unit", ""]


# --- what to do -----------------------------------------------------------------------------

_MEND = {
    "missing": "put one in, pole as on the map",
    "flipped": "take it out and put it back the other way round",
    "turned anticlockwise": "take it out, check that it is of the right kind, and turn it",
    "turned clockwise": "take it out, check that it is of the right kind, and turn it",
    "swapped": "take both out and exchange them",
    "weak": "take it out, measure it by itself, and put in another if it is weak there too",
    "strong": "compare it with its kind: it may be of another grade, or stand out of its pocket",
}
_LOOK = {
    "remanence": "Ask for the grade's certificate, and measure loose magnets of the same bag: "
    "grade, warm magnets and thin glue all change the flux.",
    "airgap": "Measure the rotor's inside and the stator with calipers, and the gap with feelers "
    "all the way round.",
    "probe": "Check the probe's zero and its gain by a magnet that is known.",
    "copper": "Count turns, strands and paths, check wire and connection, and whether leads were "
    "in the reading.",
}


def next_steps(found: AsBuilt) -> list[str]:
    """Return what a builder should do about all that is wrong."""
    wrong = findings(found)
    steps = [f"{_magnets(one.numbers)}: {_MEND[one.kind]}" for one in wrong]
    if wrong:
        steps.insert(
            0, "Hold a magnet whose north is known over each pocket named here before any comes out"
        )
        if any(one.instead for one in wrong):
            steps.append("where another explanation is told, look at that pocket too")
        steps.append("Scan again: a mended magnet may uncover another one.")
    steps += [_LOOK[one.name] for one in found.estimates if not one.usual]
    if any(~fit.seen.all() for fit in found.scans):
        steps.append("Scan the whole turn, so that all magnets are judged.")
    if any(bag.odd for fit in found.looses for bag in fit.families):
        steps.append("Read odd loose magnets again; keep those that stay odd out of the rotor.")
    if any(not fit.steady for fit in found.heats):
        steps.append("Let the heat run go on until the temperature stands still.")
    if changes(found.study, found):
        steps.append("`arrayopt as-built ... --apply FILE` writes a study with what was measured.")
    return steps


# --- JSON and CSV ---------------------------------------------------------------------------


def as_built_json(found: AsBuilt) -> dict[str, Any]:
    """Return a motor as built; keys end in their unit, readings name theirs."""
    return {
        "title": found.study.title,
        "agrees": bool(found.agrees),
        "reasons": reasons(found),
        "files": [{"path": one.path, "taken_for": record_words(one), "rows_skipped": one.skipped}
                  for one in found.measured],
        "readings": [
            {
                "key": r.key, "label": r.label, "unit": r.unit, "found": shown(r.found),
                "expected": shown(r.expected), "low": shown(r.low), "high": shown(r.high),
                "standard_uncertainty_percent": shown(r.uncertainty, 100),
                "magnets_leave_percent": shown(r.factor, 100), "agrees": bool(r.agrees),
                "file": r.source,
            }
            for r in found.readings
        ],
        "estimates": [_estimate_json(found.study, one) for one in found.estimates],
        "scans": [_scan_json(fit) for fit in found.scans],
        "wrong_magnets": [
            {
                "magnets": list(one.numbers), "kind": one.kind, "sentence": finding_sentence(one),
                "log_odds": shown(one.evidence),
                "places": [{"file": path, "angles_deg": [shown(a) for a in angles]}
                           for path, angles in one.places],
                "instead": [{"magnets": [m.number for m in who], "kind": kind}
                            for who, kind in one.instead],
            }
            for one in findings(found)
        ],
        "back_emf": [
            {
                "file": fit.emf.path, "speed_rpm": shown(fit.speed, 30 / pi),
                "speed_by_waveform": fit.measured_speed,
                "beat_percent": _maybe(fit.beat, 100),
                "imbalance_percent": _maybe(fit.imbalance, 100),
                "leads": [
                    {
                        "lead": lead, "peak_v_s_per_rad": shown(constant),
                        "standard_uncertainty_v_s_per_rad": shown(sd),
                        "harmonics_percent": {
                            str(k): shown(float(h), 100)
                            for k, h in zip((1, 3, 5, 7), fit.harmonics[lead], strict=True)
                        },
                    }
                    for lead, (constant, sd) in fit.constants.items()
                ],
            }
            for fit in found.emfs
        ],
        "cogging": [
            {
                "file": fit.cogging.path, "drag_nm": shown(fit.drag),
                "standard_uncertainty_nm": shown(fit.uncertainty),
                "waves": [{"waves_per_turn": n, "peak_nm": shown(a)}
                          for n, a in zip(fit.waves, fit.amplitudes, strict=True)],
            }
            for fit in found.coggings
        ],
        "loose": [
            {
                "file": fit.loose.path, "family": bag.name, "count": len(bag.labels),
                "mean_t": shown(bag.mean), "scatter_percent": shown(bag.scatter, 100),
                "study_t": shown(bag.expected), "grade_low_t": shown(bag.low),
                "grade_high_t": shown(bag.high), "odd": list(bag.odd),
                "magnets": [{"magnet": label, "remanence_t": shown(float(value))}
                            for label, value in zip(bag.labels, bag.remanence, strict=True)],
            }
            for fit in found.looses for bag in fit.families
        ],
        "heat": [
            {
                "file": fit.run.path, "by_resistance": fit.by_resistance,
                "thermal_resistance_k_per_w": shown(fit.thermal_resistance),
                "standard_uncertainty_k_per_w": shown(fit.thermal_resistance_uncertainty),
                "study_k_per_w": shown(fit.study_resistance),
                "agrees": None if fit.agrees is None else bool(fit.agrees),
                "time_constant_s": shown(fit.time_constant),
                "time_constant_standard_uncertainty_s": shown(fit.time_constant_uncertainty),
                "ambient_c": shown(fit.ambient), "loss_w": shown(fit.loss),
                "steady_rise_k": shown(fit.steady_rise), "reached_percent": shown(fit.share, 100),
                "noise_k": shown(fit.noise),
            }
            for fit in found.heats
        ],
        "notes": list(found.notes),
        "next": next_steps(found),
    }  # fmt: skip


def _maybe(value: float | None, scale: float) -> float | None:
    return None if value is None else shown(value, scale)


def _estimate_json(study: Study, one: Estimate) -> dict[str, Any]:
    _, unit, _, first, value, sd = _quantity(study, one)
    key = {"T": "t", "%": "percent", "mm": "mm"}[unit]
    return {
        "name": one.name, f"study_{key}": shown(first), f"found_{key}": shown(value),
        f"standard_uncertainty_{key}": shown(sd), "standing": standing(one),
        "informed": bool(one.informed), "usual": bool(one.usual),
    }  # fmt: skip


def _scan_json(fit: ScanFit) -> dict[str, Any]:
    content: dict[str, Any] = {"file": fit.scan.path, "inverted": bool(fit.inverted)}
    for one in shared_rows(fit):
        content[one.key] = shown(one.value)
        if not isnan(one.uncertainty):
            name, _, unit = one.key.rpartition("_")
            content[f"{name}_standard_uncertainty_{unit}"] = shown(one.uncertainty)
    towards = _pair(fit, "moved x", "moved y")[2]
    return content | {
        "eccentricity_towards_deg": shown(degrees(towards) % 360),
        "expected_fundamental_mt": shown(fit.amplitude, 1e3),
        "magnets_out_of_sight": [
            m.number for m, seen in zip(fit.model.members, fit.seen, strict=True) if not seen
        ],
        "magnets": [dict(zip(_MAGNET_KEYS, row, strict=True)) for row in _magnet_rows(fit)],
    }


_MAGNET_KEYS = (
    "number", "family", "remanence_off_percent", "remanence_standard_uncertainty_percent",
    "direction_off_deg", "direction_standard_uncertainty_deg", "seen", "finding",
)  # fmt: skip


def _magnet_rows(fit: ScanFit) -> list[list[Any]]:
    values, spread = remanence_and_direction(fit)
    kinds = {i: one.kind for one in fit.wrong for i in one.members}
    return [
        [
            m.number, m.family, shown(values[i, 0], 100), shown(spread[i, 0], 100),
            shown(degrees(values[i, 1])), shown(degrees(spread[i, 1])), bool(fit.seen[i]),
            kinds.get(i, ""),
        ]
        for i, m in enumerate(fit.model.members)
    ]  # fmt: skip


def magnets_csv(found: AsBuilt) -> str:
    """Return every magnet of every scan: against the mean of them, anticlockwise positive."""
    rows = [
        [fit.scan.path, *row[:-2], "yes" if row[-2] else "no", row[-1]]
        for fit in found.scans for row in _magnet_rows(fit)
    ]  # fmt: skip
    return csv_text(["scan", *_MAGNET_KEYS], rows)
