"""Writing files so that none is ever half-written."""

from __future__ import annotations

import csv
import io
import json
import os
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from arrayopt.errors import ArrayoptError


def write_file(path: str | Path, fill: Callable[[Path], object]) -> Path:
    """Have a temporary file filled beside the target, then rename it.

    Raises
    ------
    ArrayoptError
        If the folder cannot be written to.

    """
    target = Path(path)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(
            dir=target.parent, prefix=f".{target.stem}-", suffix=target.suffix
        )
        os.close(handle)
        temporary = Path(name)
        try:
            fill(temporary)
            temporary.chmod(0o666 & ~_umask())
            temporary.replace(target)
        finally:
            temporary.unlink(missing_ok=True)
    except OSError as fault:
        raise ArrayoptError(
            f"{target} cannot be written: {fault.strerror or fault}; choose another place"
        ) from None
    return target


def write_text(path: str | Path, text: str) -> Path:
    """Write a text file, UTF-8 with plain line ends."""
    return write_file(path, lambda file: file.write_bytes(text.encode("utf-8")))


def write_json(path: str | Path, content: Any) -> Path:
    """Write content as a file with one JSON object."""
    return write_text(path, json_text(content) + "\n")


def csv_text(header: Sequence[str], rows: Sequence[Sequence[Any]]) -> str:
    """Return rows as CSV (RFC 4180, plain line ends)."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return out.getvalue()


def json_text(content: Any) -> str:
    """Return content as one JSON object; NaN must have become null before."""
    return json.dumps(content, indent=2, allow_nan=False)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
