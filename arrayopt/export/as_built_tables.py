"""A motor as it was measured, as text."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import degrees, isnan, nan, pi
from textwrap import fill

import numpy as np

from arrayopt.checks.hazards import ASSEMBLING, HANDLING
from arrayopt.export.as_built_words import (
    finding_lines,
    findings,
    magnets_words,
    quantity,
    reasons,
    remanence_and_direction,
    scan_angle,
    span_words,
    verdict,
)
from arrayopt.export.text_tables import bullets, number, table_text
from arrayopt.layout.members import Member
from arrayopt.measurement.apply import tells
from arrayopt.measurement.as_built import AsBuilt
from arrayopt.measurement.estimates import Estimate
from arrayopt.measurement.heat_run import HeatFit
from arrayopt.measurement.records import Cogging, Emf, HeatRun, Loose, Measured, Scan
from arrayopt.measurement.scan import ScanFit
from arrayopt.measurement.waveforms import HARMONICS
from arrayopt.quantities import MM, RPM

_WIDE = 98
_NAME = 70  # characters of a file's name
_LABEL = 30  # of a reading's
_KEPT = {True: "yes", False: "NO", None: "not judged"}
_TOLD = 0.005  # what wrong magnets leave is told from here

FREE_POCKET = (
    "A free pocket lets its neighbours jump or turn over: hold both down with wood or brass "
    "before the magnet between them comes out, and until the next one is in."
)
TOOLS = "Soften the bond as the glue's maker says and push, never lever with steel or strike."


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
        parts.append(_bullets("Wrong magnets", [finding_lines(one, names) for one in wrong]))
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
            span_words(reading),
            reading.unit, _KEPT[reading.agrees], names[reading.source],
        ]
        for reading in found.readings
    ]  # fmt: skip
    return rows, ["Reading", "Found", "Expected", "Band", "Unit", "Agrees", "File"]


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
        name, unit, decimals, first, value, sd = quantity(found.study, one)
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
    turn = scan_angle(fit, fit.model.members[0])
    (offset, of_offset), (distance, of_distance) = fit.shared["offset"], fit.shared["distance"]
    moved = shared_pair(fit, "moved x", "moved y")
    oval = shared_pair(fit, "oval cos", "oval sin")
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


def shared_pair(fit: ScanFit, x: str, y: str) -> tuple[float, float, float]:
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
            f"magnets weaker by {_hiding(fit)} are found in half of such scans: a place or a "
            "direction within the tolerances looks alike, so that values lean towards the mean"
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
            lead.upper(), number(fit.speed / RPM), f"{constant:.4g}", f"{sd:.2g}",
            *("-" if isnan(h) else f"{100 * h:.1f}" for h in fit.harmonics[lead][1:]),
            names[fit.emf.path],
        ]
        for fit in found.emfs for lead, (constant, sd) in fit.constants.items()
    ]  # fmt: skip
    orders = [f"{k}th\n[%]" if k > 3 else "3rd\n[%]" for k in HARMONICS[1:]]
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
    header = ["Loose\nmagnets", "Count", "Mean\n[T]", "Scatter\n[%]", "Study\n[T]",
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
    "linkage": "Read the back-EMF again at another speed, over a whole turn.",
    "probe": "Check the probe's zero and its gain by a magnet that is known.",
    "copper": "Count turns, strands and paths, check wire and connection, and whether leads were "
    "in the reading.",
}


def next_steps(found: AsBuilt) -> list[str]:
    """Return what a builder should do about all that is wrong."""
    wrong = findings(found)
    steps = [f"{magnets_words(one.numbers)}: {_MEND[one.kind]}" for one in wrong]
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
    if tells(found):
        steps.append("`arrayopt as-built ... --apply FILE` writes a study with what was measured.")
    return steps
