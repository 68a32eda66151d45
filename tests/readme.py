"""The parts of all READMEs that the tool itself writes: command output, key table, pictures.

Run ``python tests/readme.py`` after a change that moves figures, then read the diff.
"""

from __future__ import annotations

import re
import shutil
import tempfile
from contextlib import chdir
from pathlib import Path

from click.testing import CliRunner

from arrayopt.cli import commands
from arrayopt.evaluation import load_study
from arrayopt.export.cut_list import cut_list
from arrayopt.export.pictures import save
from arrayopt.export.pieces_picture import pieces_picture
from arrayopt.export.polarity_map import polarity_map
from arrayopt.figures import figure_table
from arrayopt.study.keys import key_table

ROOT = Path(__file__).resolve().parent.parent
STUDIES = ROOT / "studies"
READMES = (ROOT / "README.md", *sorted(STUDIES.glob("*/README.md")))
PICTURES = (
    "rotor.png", "flux.png", "machine.png", "magnets.png", "comparison.png", "front.png",
    "variables.png", "course.png", "sweep.png", "pieces.png", "map.png", "assembly.png",
    "confirm.png", "sector.png", "tolerance.png", "as-built.png",
)  # fmt: skip
# Pictures of the other studies that commands of their READMEs write.
OTHERS = {"elbow": "front.png", "wrist": "layouts.png"}
MEASURED = "studies/ankle/measured/scan.csv studies/ankle/measured/bench-sheet.csv"
SWEPT = "--vary rotor.main.thickness_mm=2:5:0.25 --vary rotor.main.width_mm=2.5:5.5:0.25"
# Parts that are no command's output.
TABLES = {"keys": key_table, "figures": figure_table}
_PART = re.compile(
    r"<!-- (output: (?P<command>[^\n]*)|keys|figures) -->\n(?P<body>.*?)<!-- end -->", re.S
)


def run(command: str) -> str:
    """Return what a command prints."""
    with chdir(ROOT):
        done = CliRunner().invoke(commands, command.split(), catch_exceptions=False)
    if done.exit_code not in (0, 3):  # a motor that does not agree is an example too
        raise RuntimeError(f"{command}: {done.output}")
    return done.stdout


def parts(text: str) -> dict[str, str]:
    """Return the generated parts of a README by command or name of a table."""
    return {m["command"] or m[1]: m["body"] for m in _PART.finditer(text)}


def fresh(command: str, folder: str = "out") -> str:
    """Return what stands in a README for a command; `folder` is where its ``out`` goes."""
    if command in TABLES:
        return TABLES[command]() + "\n"
    said = run(command.replace("--out out", f"--out {folder}")).replace(folder, "out")
    lines = [line.rstrip() for line in said.rstrip().splitlines()]
    return "\n".join(["```text", f"$ arrayopt {command}", *lines, "```", ""])


def main() -> None:
    """Write the generated parts of all READMEs, and the pictures of the studies."""
    with tempfile.TemporaryDirectory() as folder:
        for readme in READMES:
            name = readme.parent.name

            def write(match: re.Match[str], name: str = name) -> str:
                command = match["command"] or match[1]
                return f"<!-- {match[1]} -->\n{fresh(command, f'{folder}/{name}')}<!-- end -->"

            readme.write_text(_PART.sub(write, readme.read_text("utf-8")), "utf-8")
        for name, picture in OTHERS.items():
            shutil.copy(Path(folder) / name / picture, STUDIES / name / picture)
        pan = load_study(STUDIES / "pan/study.toml")
        save(STUDIES / "pan/pieces.png", pieces_picture(cut_list(pan)))
        own = Path(folder) / ROOT.name
        for command in (
            "evaluate {}",
            "compare {}",
            "assembly {}",
            "confirm {}",
            "tolerance {}",
            f"as-built {{}} {MEASURED}",
            f"sweep {{}} {SWEPT}",
        ):
            run(f"{command.format('studies/ankle/study.toml')} --out {own}")
        study = load_study(STUDIES / "ankle/study.toml")
        save(own / "map.png", polarity_map(study))
        save(own / "pieces.png", pieces_picture(cut_list(study)))
        for picture in PICTURES:
            shutil.copy(own / picture, STUDIES / "ankle" / picture)


if __name__ == "__main__":
    main()
