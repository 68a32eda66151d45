"""The known name that somebody may have meant."""

from __future__ import annotations

import difflib
from collections.abc import Collection

_LEAST = 3  # letters of a name that is looked for as a part of others


def near_name(name: str, known: Collection[str]) -> str | None:
    """Return the known name that begins with an unknown one, resembles it or holds it.

    Examples
    --------
    >>> near_name("turns", ["turns_per_coil", "strands"]), near_name("colour", ["turns_per_coil"])
    ('turns_per_coil', None)
    """
    low, names = name.lower(), sorted(known)
    long = len(low) >= _LEAST
    begun = sorted((one for one in names if long and one.startswith(low)), key=len)
    alike = difflib.get_close_matches(low, names, n=1)
    within = [one for one in names if long and low in one]
    return next(iter([*begun, *alike, *within]), None)
