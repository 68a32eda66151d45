"""Text of the files that a user gives, or why it cannot be had."""

from __future__ import annotations

import sys
from codecs import BOM_UTF16_BE, BOM_UTF16_LE
from pathlib import Path

from arrayopt.errors import StudyError

_LARGEST = 1_000_000  # bytes; a study or a shop list is a page or two of text


def file_text(path: Path | None, *, missing: str, kind: str, largest: int = _LARGEST) -> str:
    """Return the text of a file, lines ended by a line feed.

    Parameters
    ----------
    path : Path or None
        None is standard input.
    missing : str
        What to do where there is no such file.
    kind : str
        What such a file is, for one that is too large.
    largest : int
        Bytes that it may have.

    Raises
    ------
    StudyError
        If there is no such file, or it cannot be read, is too large or not UTF-8.

    """
    name = "standard input" if path is None else str(path)
    try:
        if path is None:
            raw = sys.stdin.buffer.read(largest + 1)
        elif path.is_dir():
            raise StudyError([f"{name} is a folder; give the file inside it"])
        else:
            with path.open("rb") as file:
                raw = file.read(largest + 1)
    except FileNotFoundError:
        raise StudyError([f"{name} does not exist; {missing}"]) from None
    except StudyError:
        raise
    except (OSError, ValueError) as fault:
        raise StudyError([f"{name} cannot be read: {fault}"]) from None
    if len(raw) > largest:
        raise StudyError([f"{name} is larger than {largest // 1_000_000} MB; {kind}"])
    try:
        return raw.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError:
        # As spreadsheets write what they call Unicode text.
        but = " but UTF-16" if raw.startswith((BOM_UTF16_LE, BOM_UTF16_BE)) else ""
        raise StudyError([f"{name} is not UTF-8 text{but}; save it as UTF-8"]) from None
