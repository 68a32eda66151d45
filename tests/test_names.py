"""Names that somebody may have meant."""

import pytest

from arrayopt.study.names import near_name

KNOWN = ["turns_per_coil", "strands", "slots", "slot_depth_mm", "polarised", "pieces_per_pack"]


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("turns", "turns_per_coil"),  # its beginning
        ("Turns", "turns_per_coil"),
        ("slot", "slots"),  # the shorter of two that begin so
        ("strand", "strands"),
        ("polarisation", "polarised"),  # alike
        ("pack", "pieces_per_pack"),  # a part of it
        ("ra", None),  # too short to be a part
        ("colour", None),
        ("", None),
    ],
)
def test_near_name(name, meant):
    # exact
    assert near_name(name, KNOWN) == meant
    assert near_name(name, set(KNOWN)) == meant
    assert near_name(name, []) is None
