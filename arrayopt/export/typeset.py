"""Signs of print in place of the letters of a terminal: degrees, powers, roots, products."""

from __future__ import annotations

import re

NO_BREAK = "\u00a0"
_SIGNS = (
    (re.compile(r"(?<!°)\bC\b"), "°C"), (re.compile(r"\bdeg\b"), "°"),
    (re.compile(r"\bsqrt (?=\w)"), "√"), (re.compile(r"\b(m?)ohm\b"), r"\1Ω"),
    (re.compile(r"\b([mck]?m)2\b"), r"\1²"), (re.compile(r"\b([mck]?m)3\b"), r"\1³"),
)  # fmt: skip
_UNITS = (
    "N m/sqrt W/kg", "N m/sqrt W", "N m/kg", "N m/A", "mN m", "N m", "N/mm", "N", "kg mm2", "kg",
    "g", "mg", "mm2", "mm3", "mm", "m", "V s/rad", "V/1000 rpm", "V", "rpm/V", "rpm", "A rms", "A",
    "mWb", "Wb", "W/kg", "W", "K/W", "K", "kA/m", "mT", "T", "mH", "H", "mohm", "ohm", "MPa", "GPa",
    "Hz", "C", "deg", "%",
)  # fmt: skip
_IN_BRACKETS = re.compile(r"\[([^\[\]]*)\]")
_AFTER_NUMBER = re.compile(
    rf"(?<=\d) ({'|'.join(map(re.escape, sorted(_UNITS, key=len, reverse=True)))})(?![\w/])"
)
_TIMES = re.compile(r"(?<=[\d°]) x (?=\d)")
_PLUS_MINUS = re.compile(r"\+/-|\+-")


def unit_sign(unit: str) -> str:
    """Return a unit as it is printed.

    Examples
    --------
    >>> unit_sign("N m/sqrt W"), unit_sign("kg mm2"), unit_sign("C"), unit_sign("mohm")
    ('N m/√W', 'kg mm²', '°C', 'mΩ')
    """
    for pattern, sign in _SIGNS:
        unit = pattern.sub(sign, unit)
    return unit


def typeset(words: str) -> str:
    """Return words with their units as they are printed, each kept on the line of its number.

    Examples
    --------
    >>> typeset("at 20 C [N m/sqrt W]") == "at 20\u00a0°C [N m/√W]"
    True
    >>> typeset("3.5 x 2 mm, 8 deg") == "3.5\u00a0×\u00a02\u00a0mm, 8°"
    True
    """
    words = _IN_BRACKETS.sub(lambda found: f"[{unit_sign(found[1])}]", words)
    words = _AFTER_NUMBER.sub(lambda found: _after_number(found[1]), words)
    return _PLUS_MINUS.sub("±", _TIMES.sub(f"{NO_BREAK}×{NO_BREAK}", words))


def _after_number(unit: str) -> str:
    sign = unit_sign(unit)
    return sign if sign == "°" else NO_BREAK + sign.replace(" ", NO_BREAK)
