"""The errors that arrayopt raises on purpose, each with its exit code on the command line."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from typing import Any

_LONGEST = 60  # characters of a value or key that a message shows


class ArrayoptError(ValueError):
    """Wrong input, told in full sentences; the command line prints it without a traceback.

    Attributes
    ----------
    exit_code : int
        What a command that meets it ends with.

    Examples
    --------
    Whatever arrayopt refuses on purpose is one of these.

    >>> from arrayopt import ArrayoptError, load_study
    >>> try:
    ...     load_study("no-such-motor.toml")
    ... except ArrayoptError as fault:
    ...     print(fault.exit_code, str(fault).partition(";")[0])
    2 no-such-motor.toml does not exist
    """

    exit_code = 2


def echo(value: Any) -> str:
    r"""Return a value received for a message: on one line, and short.

    Examples
    --------
    >>> echo("N52\n"), echo({"a": 1})
    ("'N52\\n'", 'a table')
    """
    if isinstance(value, dict):
        return "a table"
    if not isinstance(value, str | float | int | bool | None):
        kind = type(value).__name__
        return f"{'an' if kind[0] in 'aeiou' else 'a'} {kind}"
    text = repr(value)
    return text if len(text) <= _LONGEST else text[: _LONGEST - 3] + "..."


def shown_key(path: str) -> str:
    """Return a key's path for a message: on one line, and short.

    Examples
    --------
    >>> shown_key("rotor.colour")
    'rotor.colour'
    """
    text = path if path.isprintable() else repr(path)[1:-1]
    return text if len(text) <= _LONGEST else text[: _LONGEST - 3] + "..."


def known_ones(name: str, known: Sequence[str]) -> str:
    """Return the known names most like one that is unknown, for a message."""
    by_capitals = {one.upper(): one for one in known}
    near = difflib.get_close_matches(name.upper(), by_capitals, n=3, cutoff=0.5)
    near = [by_capitals[one] for one in near] or list(known[:6])
    return "nearest known ones: " + ", ".join(near)


class StudyError(ArrayoptError):
    """Everything that is wrong with a study, one line a fault.

    Parameters
    ----------
    faults : sequence of str
        Each names the key, the rule, the value received and the remedy.

    Attributes
    ----------
    faults : tuple of str
        The same lines.

    Examples
    --------
    >>> from arrayopt import StudyError, evaluate, load_study
    >>> wide = load_study("studies/ankle/study.toml").with_values({"rotor.main.width_mm": 12.0})
    >>> try:
    ...     evaluate(wide)
    ... except StudyError as told:
    ...     for line in told.faults:
    ...         print(line.partition(" stand ")[0])
    rotor: main magnets
    rotor: main and transverse magnets
    """

    def __init__(self, faults: Sequence[str]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(self.faults))


class NothingFeasibleError(ArrayoptError):
    """A valid study for which no design meets the limits.

    Examples
    --------
    >>> from arrayopt import NothingFeasibleError, load_study, sweep
    >>> study = load_study("studies/ankle/study.toml")
    >>> try:
    ...     sweep(study, {"rotor.main.width_mm": [15.0, 16.0]})
    ... except NothingFeasibleError as fault:
    ...     print(fault.exit_code, str(fault).partition(":")[0])
    3 none of the 2 designs can be built
    """

    exit_code = 3
