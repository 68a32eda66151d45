"""What a report says, section by section."""

from __future__ import annotations

import platform
from io import BytesIO
from textwrap import dedent

import numpy as np
from matplotlib import rc_context
from matplotlib.figure import Figure

from arrayopt.checks import cautions, design_cautions
from arrayopt.checks.hazards import (
    ASSEMBLING,
    BUYING,
    HANDLING,
    KEEPING_OFF,
    MAPPING,
    SPINNING,
)
from arrayopt.export.assembly_picture import assembly_picture
from arrayopt.export.assembly_tables import (
    family_rows,
    holding_words,
    order_rows,
    order_words,
    sequence_text,
)
from arrayopt.export.drawings import print_notes
from arrayopt.export.driver import driver_cautions, driver_rows
from arrayopt.export.evaluation_tables import (
    checks_rows,
    comparison_rows,
    figure_rows,
    limited_text,
    magnets_rows,
    magnets_text,
    winding_text,
)
from arrayopt.export.order_tables import (
    asked,
    cut_rows,
    inspection_rows,
    letters,
    missed_limits,
    purchase_rows,
)
from arrayopt.export.pictures import STYLE, comparison_picture
from arrayopt.export.pieces_picture import pieces_picture
from arrayopt.export.polarity_map import map_svg
from arrayopt.export.reading_tables import bench_rows
from arrayopt.export.report_found import Found
from arrayopt.export.report_parts import (
    Block,
    Items,
    Picture,
    Report,
    Section,
    Table,
    Text,
    typeset_block,
)
from arrayopt.export.search_pictures import front_picture
from arrayopt.export.stray_tables import NOTE as STRAY_NOTE
from arrayopt.export.stray_tables import reach_rows, sensor_rows
from arrayopt.export.strength_tables import (
    ASSUMED,
    centre_rows,
    conditions,
    hold_rows,
    load_rows,
    not_judged,
    ring_rows,
)
from arrayopt.export.text_tables import number, wrapped
from arrayopt.export.tolerance_picture import tolerance_picture
from arrayopt.export.tolerance_tables import (
    advice,
    drawn_text,
    footnotes,
    outcome_rows,
    source_rows,
    touching,
    yield_text,
)
from arrayopt.figures import figure
from arrayopt.study import Study
from arrayopt.study.models import relevant_magnets


def report(found: Found) -> Report:
    """Return the report on a design: the job, figures, checks, comparison, bench, study."""
    study = found.study
    which = f"Design chosen from the search: {found.chosen}" if found.result else "Design as given"
    sections = (
        Section("Summary", _summary(found)),
        Section("The job", _job(found)),
        Section("Checks", _checks(found)),
        Section("The array", _array(found)),
        Section("The machine", _machine(found)),
        Section("Beside plain alternating layouts", _beside(found)),
        *([Section("The search", _search(found))] if found.result else []),
        Section("Order", _order(found)),
        Section("Polarity map", _map(found)),
        Section("Assembly", _assembly(found)),
        Section("Staying together", _strength(found)),
        Section("Stray field", _stray(found)),
        Section("Tolerances", _tolerances(found)),
        Section("Driver data", _driver(found)),
        Section("Expected bench readings", _bench(found)),
        Section("Cautions", (Items(tuple(cautions(study, found.results)), warn=True),)),
    )
    printed = [Section(s.heading, tuple(map(typeset_block, s.blocks))) for s in sections]
    # The study stays as its file has it.
    return Report(study.title, which, (*printed, Section("The study and versions", _origin(found))))


def _job(found: Found) -> tuple[Block, ...]:
    study = found.study
    rotor, stator = study.rotor, study.stator
    kind = {"slotted": "a slotted", "smooth": "a slotless", "ironless": "an ironless"}[stator.kind]
    words = (
        f"An {rotor.position} rotor of {rotor.pole_pairs} pole pairs with "
        f"{rotor.magnets_per_pole_pair} magnets each ({magnets_and_grades(study)}), "
        f"{study.rotor_length_mm:g} mm long, on {kind} stator of "
        f"{stator.surface_diameter_mm:g} mm with {stator.slots} "
        f"{'slots' if stator.kind == 'slotted' else 'coil sectors'} and a stack of "
        f"{stator.stack_mm:g} mm; airgap {study.airgap.length_mm:g} mm, "
        + (f"steel ring of {rotor.steel_ring_mm:g} mm" if rotor.steel_ring_mm else "no steel ring")
        + "."
    )
    blocks: list[Block] = [Text(words)]
    if found.result is not None:
        goals = [f"{f.better} {f.phrase}" for f in found.result.objectives]
        blocks.append(
            Text(
                f"The search was to find {' and '.join(goals)} among magnets and walls that can "
                f"be made; {len(found.result.known)} different designs were judged."
            )
        )
    return tuple(blocks)


def magnets_and_grades(study: Study) -> str:
    """Return sizes and grade of every kind of magnet; a grade that all have, once.

    Examples
    --------
    >>> from arrayopt.study import parse_study, starter_text
    >>> magnets_and_grades(parse_study(starter_text()))
    'main 5 x 3 mm, transverse 2 x 3 mm, N42SH'
    """
    names = relevant_magnets(study.rotor.magnets_per_pole_pair)
    grades = [getattr(study.rotor, name).grade or study.rotor.grade for name in names]
    sizes = [f"{line} mm" for line in magnets_text(study).splitlines()]
    if len(set(grades)) == 1:
        return f"{', '.join(sizes)}, {grades[0]}"
    return ", ".join(f"{size} of {grade}" for size, grade in zip(sizes, grades, strict=True))


_SUMMARY = (
    "continuous_torque", "joint_torque", "torque_constant", "motor_constant", "no_load_speed",
    "peak_torque", "rotor_mass", "magnet_mass", "fundamental", "outer_diameter",
)  # fmt: skip


def _summary(found: Found) -> tuple[Block, ...]:
    columns = [("This design", found.results, 0)]
    if found.result is not None:
        columns.append(("Start", found.result.started, 0))
    plain = found.comparison
    labels = list(plain.studies)
    columns += [(labels[i].capitalize(), plain.results, i) for i in range(1, min(3, len(labels)))]
    rows = []
    for name in _SUMMARY:
        f = figure(name)
        values = [number(float(data[name][i]), f.scale) for _, data, i in columns]
        if values[0] != "-":
            rows.append((f.title, *values))
    missed = found.order.missed
    verdict: Block = Text("All limits are kept.", strong=True)
    if missed:
        verdict = Items((f"LIMITS MISSED: {', '.join(missed)}.",), warn=True)
    return (
        verdict,
        Table(("Figure", *(wrapped(name) for name, _, _ in columns)), tuple(rows)),
        Items(tuple(map(_one_line, found.comparison.verdict()))),
    )


def _array(found: Found) -> tuple[Block, ...]:
    pictures = found.design.pictures
    return (
        Picture(_svg(pictures["rotor"]),
                "The array with polarisation arrows, the airgap flux density and its harmonics"),
        Picture(_svg(pictures["flux"]), "Flux density and lines of flux over two poles"),
        Picture(_svg(pictures["magnets"]),
                "Reverse field over the cross-sections of the magnets"),
        _table(*magnets_rows(found.results), "Reverse field in the magnets at their worst"),
    )  # fmt: skip


def _machine(found: Found) -> tuple[Block, ...]:
    study, results = found.study, found.results
    speed = " and torque against speed" if study.drive else ""
    blocks: list[Block] = [
        Picture(_svg(found.design.pictures["machine"]), f"Back-EMF over an electrical turn{speed}"),
        _table(*figure_rows(results), "All figures"),
        Text(winding_text(study), plain=True),
    ]
    if study.heat:
        blocks.append(Text(limited_text(study, results).replace("\n", " ")))
    return tuple(blocks)


def _checks(found: Found) -> tuple[Block, ...]:
    doubts = tuple(design_cautions(found.study, found.results))
    table = _table(*checks_rows(found.judged))
    return (table, Items(doubts, warn=True)) if doubts else (table,)


def _beside(found: Found) -> tuple[Block, ...]:
    return (
        Picture(_svg(comparison_picture(found.comparison)),
                "Torque, mass, and torque per mass beside plain layouts"),
        _table(*comparison_rows(found.comparison)),
        Items(tuple(map(_one_line, found.comparison.verdict()))),
    )  # fmt: skip


def _search(found: Found) -> tuple[Block, ...]:
    result = found.result
    assert result is not None
    picture = front_picture(result, found.comparison)
    for ax in picture.axes:
        for line in ax.lines:
            # Thousands of dots as a picture in the picture: a page stays small.
            line.set_rasterized(np.size(line.get_xdata()) > _MANY)
    return (
        Picture(_svg(picture), "Designs judged by the search, the front and the picks"),
        Text(f"{len(result.values)} designs are on the front; front.csv lists them."),
    )


_MANY = 300


def _order(found: Found) -> tuple[Block, ...]:
    order = found.order
    directions = tuple(
        f"{letter}: {piece.polarisation}"
        for letter, piece in zip(letters(order), order.pieces, strict=True)
    )
    motors = f"{order.motors} motor{'s' if order.motors > 1 else ''}"
    blocks: list[Block] = [
        Text(f"For {motors} with {order.spares_percent:g} % spares."),
        _table(*cut_rows(order)),
        Picture(_svg(pieces_picture(order)), "Every piece with its edges in mm and its arrow"),
        Items(directions),
        Text("Ask the shop to confirm:"),
        Items(tuple(asked(order))),
    ]
    if order.from_list:
        blocks.append(_table(*purchase_rows(order), "From the shop list"))
    cautions = (*missed_limits(order), *BUYING, *HANDLING[:3])
    return (*blocks, Items(cautions, warn=True))


def _map(found: Found) -> tuple[Block, ...]:
    rows = found.study.rotor.skew_steps
    maps = tuple(
        Picture(
            map_svg(found.study, row=row, to_scale=False), "Every magnet numbered, with its arrow"
        )
        for row in range(1, rows + 1)
    )
    note = "For a true scale print polarity-map.pdf at 100 %; here the map may be smaller."
    about = (Text(line.replace("\n", " ")) for line in print_notes(found.study))
    return (Text(note), *about, *maps, Items(MAPPING, warn=True))


def _assembly(found: Found) -> tuple[Block, ...]:
    assembly, order = found.assembly, found.assembly.recommended
    return (
        Text(
            f"Magnets go in along the shaft, from the open side. Recommended order: {order.name}."
        ),
        Text(sequence_text(assembly, order), plain=True),
        _table(*order_rows(assembly)),
        Items(tuple(order_words(assembly))),
        _table(*family_rows(assembly, order), f"Forces while going in, {order.name}"),
        Picture(
            _svg(assembly_picture(assembly, order)), "Push of every step, forces of the hardest"
        ),
        Text("Until the glue has set:"),
        Items(tuple(holding_words(assembly, order))),
        Items(ASSEMBLING, warn=True),
    )


def _strength(found: Found) -> tuple[Block, ...]:
    study, strength = found.study, found.strength
    blocks: list[Block] = [
        Text(conditions(strength) + "."),
        _table(*load_rows(strength), "Loads on the worst magnet of each family, outwards positive"),
        _table(*hold_rows(study, strength), "What holds a magnet towards the gap"),
    ]
    if strength.ring is not None:
        blocks.append(_table(*ring_rows(study, strength), "Ring behind the magnets at overspeed"))
    blocks.append(_table(*centre_rows(strength.off_centre), "Rotor off the stator's centre"))
    lacking = tuple(not_judged(study, strength))
    if lacking:
        blocks += [Text("Not judged:"), Items(lacking)]
    return (*blocks, Text(ASSUMED.replace("\n", " ")), Items(SPINNING, warn=True))


def _stray(found: Found) -> tuple[Block, ...]:
    blocks: list[Block] = [
        _table(*reach_rows(found.stray), "Distance at which the field falls under a level"),
        Text(STRAY_NOTE.replace("\n", " ")),
    ]
    if found.stray.sensor is not None:
        blocks.append(_table(*sensor_rows(found.stray), "At the position sensor, across the shaft"))
    return (*blocks, Items(KEEPING_OFF, warn=True))


def _tolerances(found: Found) -> tuple[Block, ...]:
    study, scatter = found.study, found.scatter
    good, _, rest = yield_text(study, scatter).partition("\n")
    blocks: list[Block] = [
        Text(_one_line(drawn_text(study, scatter)) + "."),
        _table(*outcome_rows(scatter), "How far rotors lie apart"),
        Picture(_svg(tolerance_picture(study, scatter)), "Spread of rotors, and what causes it"),
        _table(*source_rows(study, scatter), "Share of variance that each source has alone [%]"),
        *(Text(line) for line in footnotes(study, scatter)),
        Items(tuple(map(_one_line, advice(study, scatter)))),
        Text(good),
        *([Text(dedent(rest.strip("\n")), plain=True)] if rest else []),
    ]
    touched = tuple(map(_one_line, touching(scatter)))
    return (*blocks, Items(touched, warn=True)) if touched else tuple(blocks)


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _driver(found: Found) -> tuple[Block, ...]:
    cautions = tuple(driver_cautions(found.study, found.driver))
    return _table(*driver_rows(found.driver)), Items(cautions, warn=True)


def _bench(found: Found) -> tuple[Block, ...]:
    return (
        _table(*bench_rows(found.study, found.results, found.scatter), "The motor"),
        _table(*inspection_rows(found.order), "Loose pieces, 1 mm above the centre of each face"),
    )


def _origin(found: Found) -> tuple[Block, ...]:
    attributes = found.results.attrs
    versions = [
        f"arrayopt {attributes['arrayopt_version']}",
        f"magpylib {attributes['magpylib_version']}",
        f"Python {platform.python_version()}",
    ]
    return Text(", ".join(versions)), Text(found.study.text, plain=True)


def _table(rows: list[list[object]], header: list[str], caption: str = "") -> Table:
    cells = tuple(tuple(str(cell) for cell in row) for row in rows)
    return Table(tuple(header), cells, caption)


def _svg(drawing: Figure) -> bytes:
    out = BytesIO()
    with rc_context(STYLE):
        drawing.savefig(out, format="svg", metadata={"Date": None})
    return out.getvalue()
