"""Words of a picture, and whether they have the letters of a terminal where print has signs."""

import re

from matplotlib.text import Text

# Degrees, temperatures, powers, roots, resistances and products as a terminal writes them.
ASCII_UNITS = re.compile(
    r"\bdeg\b|(?<!°)\bC\]|\d[  ]C\b|\b[mck]m[23]\b|/m3\b|\bsqrt\b|\bm?ohm\b|\d x \d|\+/-|\+-"
)
ASCII_KEY = re.compile(r"\w+\.\w+_\w+|\w_(mm|deg|c|g)\b")


def words_of(drawing):
    """Return all words that a picture shows."""
    return [text.get_text() for text in drawing.findobj(Text) if text.get_text().strip()]


def check_words(drawing):
    """Fail where a word has a unit in ASCII or is a raw key of a study."""
    for words in words_of(drawing):
        assert not ASCII_UNITS.search(words), words
        assert not ASCII_KEY.search(words), words
