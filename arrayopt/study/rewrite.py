"""Writing study files: the starter, and a changed study with its comments kept."""

from __future__ import annotations

from importlib import resources
from typing import Any

import tomlkit


def starter_text() -> str:
    """Return a commented study to start from.

    Returns
    -------
    str
        TOML text of a study that is sound as it is.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from arrayopt import load_study, starter_text
    >>> with TemporaryDirectory() as folder:
    ...     path = Path(folder) / "my-motor.toml"
    ...     letters = path.write_text(starter_text(), encoding="utf-8")
    ...     study = load_study(path)
    >>> study.rotor.magnets_per_pole_pair
    4
    """
    return (resources.files("arrayopt.study") / "starter.toml").read_text(encoding="utf-8")


def starter_stock() -> str:
    """Return an invented shop list to start from."""
    return (resources.files("arrayopt.study") / "stock.csv").read_text(encoding="utf-8")


def toml_text(content: dict[str, Any]) -> str:
    """Return nested tables as TOML."""
    return tomlkit.dumps(content)


def revised_text(text: str, values: dict[str, Any]) -> str:
    r"""Return a study file's text with some keys set and all comments kept.

    Parameters
    ----------
    text : str
        TOML text of a study.
    values : dict
        Full key paths and their new values, e.g. ``{"rotor.main.width_mm": 4.2}``; None takes a
        key or a table out.

    Examples
    --------
    >>> revised_text("[rotor]\npole_pairs = 14  # as wound\n", {"rotor.pole_pairs": 15})
    '[rotor]\npole_pairs = 15  # as wound\n'
    >>> revised_text("[rotor]\npole_pairs = 14\nlength_mm = 9\n", {"rotor.length_mm": None})
    '[rotor]\npole_pairs = 14\n'
    """
    document = tomlkit.parse(text)
    for path, value in values.items():
        *tables, last = path.split(".")
        node: Any = document
        for name in tables:
            node = node.setdefault(name, tomlkit.table())
        if value is None:
            node.pop(last, None)
            continue
        node[last] = round(value, 6) if isinstance(value, float) else value
    return tomlkit.dumps(document)
