"""Enamelled wire against IEC 60317-0-1, and wire sizes by name."""

from __future__ import annotations

import numpy as np
import pytest

from arrayopt.materials import awg_diameter, overall_diameter

# Largest overall diameters of round enamelled wire by IEC 60317-0-1 [mm]: bare, grade 1, grade 2.
TABLE = [
    (0.2, 0.226, 0.239),
    (0.25, 0.281, 0.297),
    (0.3, 0.334, 0.352),
    (0.355, 0.392, 0.411),
    (0.4, 0.439, 0.459),
    (0.5, 0.544, 0.566),
    (0.56, 0.606, 0.630),
    (0.63, 0.679, 0.704),
    (0.71, 0.762, 0.789),
    (0.8, 0.855, 0.884),
    (0.9, 0.959, 0.989),
    (1.0, 1.062, 1.094),
]  # fmt: skip (seen second-hand)
# The same for sizes that the data file does not have (from memory).
BETWEEN = [
    (0.16, 0.182, 0.194), (0.45, 0.491, 0.513), (0.75, 0.805, 0.832), (1.12, 1.184, 1.217),
    (1.25, 1.316, 1.349), (1.4, 1.468, 1.502), (1.6, 1.670, 1.706), (1.8, 1.872, 1.909),
]  # fmt: skip


@pytest.mark.parametrize(("bare", "grade_1", "grade_2"), TABLE)
def test_published_overall_diameters(bare: float, grade_1: float, grade_2: float) -> None:
    found = [overall_diameter(bare, enamel_grade=grade) for grade in (1, 2)]
    np.testing.assert_allclose(found, [grade_1, grade_2], rtol=0, atol=1e-9)  # as printed


@pytest.mark.parametrize(("bare", "grade_1", "grade_2"), BETWEEN)
def test_published_sizes_between(bare: float, grade_1: float, grade_2: float) -> None:
    """The increase of the standard goes in steps; interpolated it is within 4 micrometres."""
    found = [overall_diameter(bare, enamel_grade=grade) for grade in (1, 2)]
    np.testing.assert_allclose(found, [grade_1, grade_2], rtol=0, atol=4e-3)


def test_exact_enamel_grows_with_the_wire() -> None:
    """From the thinnest to past the table's end; grade 2 is thicker; no thinner enamel
    on a thicker wire. Six decimals are kept."""
    bare = np.linspace(0.02, 8.0, 2000)
    one, two = (np.array([overall_diameter(d, enamel_grade=g) for d in bare]) for g in (1, 2))
    assert (one > bare).all()
    assert (two > one).all()
    assert (np.diff(one - bare) >= -2e-6).all()
    assert (np.diff(two - bare) >= -2e-6).all()
    assert (two - one <= one - bare + 1e-9).all()


@pytest.mark.parametrize(
    ("name", "inches"),
    # exact: ASTM B258 fixes these two, and 39 even steps between 0000 and 36
    [("AWG 36", 0.005), ("AWG 0", 0.005 * 92 ** (36 / 39)), ("AWG 10", 0.005 * 92 ** (26 / 39))],
)
def test_exact_gauges(name: str, inches: float) -> None:
    assert awg_diameter(name) == pytest.approx(inches * 25.4, rel=1e-12)


@pytest.mark.parametrize("name", ["awg 22", "AWG22", " AWG  22 "])
def test_sizes_are_read_as_people_write_them(name: str) -> None:
    assert awg_diameter(name) == awg_diameter("AWG 22")


@pytest.mark.parametrize(
    "name", ["", "22", "AWG", "AWG 51", "AWG -1", "AWG 2.5", "AWG 22 AWG", "SWG 22"]
)
def test_no_such_size(name: str) -> None:
    assert awg_diameter(name) is None
