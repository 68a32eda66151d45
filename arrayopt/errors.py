"""The errors that arrayopt raises on purpose, each with its exit code on the command line."""

from __future__ import annotations

from collections.abc import Sequence


class ArrayoptError(ValueError):
    """Wrong input, told in full sentences; the command line prints it without a traceback."""

    exit_code = 2


class StudyError(ArrayoptError):
    """Everything that is wrong with a study, one line a fault.

    Parameters
    ----------
    faults : sequence of str
        Each names the key, the rule, the value received and the remedy.

    Examples
    --------
    >>> str(StudyError(["rotor.pole_pairs must be at least 1; got 0; use 1 or more"]))
    'rotor.pole_pairs must be at least 1; got 0; use 1 or more'
    """

    def __init__(self, faults: Sequence[str]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(self.faults))


class NothingFeasibleError(ArrayoptError):
    """A valid study for which no design meets the limits."""

    exit_code = 3
