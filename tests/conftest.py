"""What many test files use: the command line in this process, a study beside its shop list."""

import io
import os
import sys
from pathlib import Path

# Tests run on all cores already: more threads of linear algebra only wait for each other. Read when
# numpy is first imported, here and in every process that a test starts.
os.environ.setdefault("OMP_NUM_THREADS", "1")

import pytest
from matplotlib.figure import Figure
from shop import HEAD, PAIRS

from arrayopt.cli import main


@pytest.fixture
def run(monkeypatch, capsys):
    """Run the command line; return exit code, output and messages, which show no traceback."""

    def command(*arguments, stdin=None):
        monkeypatch.setattr(sys, "argv", ["arrayopt", *map(str, arguments)])
        if stdin is not None:
            monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(stdin.encode())))
        with pytest.raises(SystemExit) as stop:
            main()
        told = (stop.value.code, *capsys.readouterr())
        assert "Traceback" not in told[2]
        return told

    return command


def undrawn(patch, *, but=None):
    """Compose pictures but leave their files empty, all or all but those of a name."""
    draw = Figure.savefig

    def savefig(drawing, target, **options):
        # Files are written beside their place first, under their own name and something more.
        if isinstance(target, Path) and not (but and target.name.startswith(f".{but}-")):
            target.touch()
        else:
            draw(drawing, target, **options)

    patch.setattr(Figure, "savefig", savefig)


@pytest.fixture
def no_pictures(monkeypatch):
    """Leave the files of pictures empty; for tests of what stands beside them."""
    undrawn(monkeypatch)


@pytest.fixture
def no_pictures_but_the_rotor(monkeypatch):
    """Leave all files of pictures empty but rotor.png."""
    undrawn(monkeypatch, but="rotor")


@pytest.fixture
def files(tmp_path):
    """Write a study beside its shop list; return the study."""

    def write(content, study=None):
        if content is not None:
            data = content if isinstance(content, bytes) else content.encode()
            (tmp_path / "stock.csv").write_bytes(data)
        text = f'{HEAD}[search]\nstock = "stock.csv"\n[search.variables]\n{PAIRS}'
        (tmp_path / "study.toml").write_text(study or text, encoding="utf-8")
        return tmp_path / "study.toml"

    return write


@pytest.fixture(scope="session")
def confirmed(tmp_path_factory):
    """The starter study confirmed on a coarse mesh with few positions, and its folder."""
    from few_positions import COARSE, few_positions

    from arrayopt.confirmation.run import confirm
    from arrayopt.study import parse_study, starter_text

    out = tmp_path_factory.mktemp("confirmed")
    with pytest.MonkeyPatch.context() as patch:
        few_positions(patch)
        return confirm(parse_study(starter_text()), out=out, size=COARSE), out


@pytest.fixture(scope="session")
def confirmed_front(tmp_path_factory):
    """A front confirmed alike, and its folder."""
    from few_positions import COARSE, few_positions
    from searches import searched

    from arrayopt.confirmation.front import confirm_front
    from arrayopt.search import optimise

    out = tmp_path_factory.mktemp("front")
    optimise(searched(), out=out, trials=80)
    with pytest.MonkeyPatch.context() as patch:
        few_positions(patch)
        return confirm_front(out, size=COARSE), out
