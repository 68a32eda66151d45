"""What many test files use: the command line in this process."""

import io
import sys

import pytest

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
