"""Text of the files that a user gives, or why it cannot be had."""

from __future__ import annotations

import sys
from pathlib import Path

from arrayopt.errors import StudyError

_LARGEST = 1_000_000  # bytes; a study or a shop list is a page or two of text


def file_text(path: Path | None, *, missing: str, kind: str) -> str:
    """Return the text of a file, lines ended by a line feed.

    Parameters
    ----------
    path : Path or None
        None is standard input.
    missing : str
        What to do where there is no such file.
    kind : str
        What such a file is, for one that is too large.

    Raises
    ------
    StudyError
        If there is no such file, or it cannot be read, is larger than 1 MB or not UTF-8.

    """
    name = "standard input" if path is None else str(path)
    try:
        if path is None:
            raw = sys.stdin.buffer.read(_LARGEST + 1)
        elif path.is_dir():
            raise StudyError([f"{name} is a folder; give the file inside it"])
        else:
            with path.open("rb") as file:
                raw = file.read(_LARGEST + 1)
    except FileNotFoundError:
        raise StudyError([f"{name} does not exist; {missing}"]) from None
    except StudyError:
        raise
    except (OSError, ValueError) as fault:
        raise StudyError([f"{name} cannot be read: {fault}"]) from None
    if len(raw) > _LARGEST:
        raise StudyError([f"{name} is larger than 1 MB; {kind}"])
    try:
        return raw.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError:
        raise StudyError([f"{name} is not UTF-8 text; save it as UTF-8"]) from None
