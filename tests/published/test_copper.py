"""Copper against IEC 60028 and the wire table of handbooks."""

from __future__ import annotations

import numpy as np
import pytest
from makers import make_study
from verification import agree, worst_of

from arrayopt.machine import phase_resistance, resistivity
from arrayopt.materials import awg_diameter
from arrayopt.study import Study

# American wire gauge: number, diameter [mm] (ASTM B258), resistance at 20 C [ohm/km] of annealed
# copper, as printed in wire tables (seen, in inches and ohms per 100 feet).
AWG = [
    (10, 2.588, 3.277), (12, 2.053, 5.211), (14, 1.628, 8.286), (16, 1.291, 13.17),
    (18, 1.024, 20.95), (20, 0.812, 33.31), (22, 0.644, 52.96), (24, 0.511, 84.22),
    (26, 0.405, 133.9), (28, 0.321, 212.9), (30, 0.255, 338.6),
]  # fmt: skip


def metre_of_wire(diameter: float, *, strands: int = 1) -> Study:
    """Study of one turn of 1 m per phase."""
    return make_study(
        pole_pairs=1,
        values={
            "stator.slots": 3,
            "winding.turns_per_coil": 1,
            "winding.mean_turn_mm": 1000.0,
            "winding.wire_diameter_mm": diameter,
            "winding.strands": strands,
        },
    )


def test_published_resistivity() -> None:
    """IEC 60028: 1/58 ohm mm2/m, 0.01724 as printed, at 20 C (seen)."""
    np.testing.assert_allclose(resistivity(20) * 1e6, 0.017241, atol=1e-6)  # five digits


@pytest.mark.parametrize(("temperature", "ratio"), [(20, 1), (30, 1.0393), (120, 1.393)])
def test_published_temperature_coefficient(temperature: float, ratio: float) -> None:
    """IEC 60028: 0.00393 per kelvin about 20 C (seen)."""
    np.testing.assert_allclose(resistivity(temperature) / resistivity(20), ratio, rtol=1e-12)


def test_published_inferred_zero() -> None:
    """Handbook rule R2/R1 = (234.5 + T2)/(234.5 + T1) for copper (from memory)."""
    expected = (234.5 + 155) / (234.5 + 25)
    np.testing.assert_allclose(
        resistivity(155) / resistivity(25), expected, rtol=2e-4
    )  # 234.5 is 234.45 rounded


def test_published_wire_table() -> None:
    sizes = {gauge: awg_diameter(f"AWG {gauge}") for gauge, _, _ in AWG}
    for gauge, diameter, _ in AWG:
        np.testing.assert_allclose(sizes[gauge], diameter, atol=5.1e-4)  # three decimals printed
    agree(
        f"Resistance of a km of wire, AWG {AWG[0][0]} to {AWG[-1][0]}, worst of {len(AWG)}",
        source="Wire tables of handbooks, ASTM B258 and IEC 60028 (seen)", kind="published",
        unit="ohm", rtol=5e-4,  # four digits printed
        **worst_of(
            (per_km, phase_resistance(metre_of_wire(sizes[gauge]), 20) * 1e3)
            for gauge, _, per_km in AWG
        ),
    )  # fmt: skip


def test_exact_strands_share_the_current() -> None:
    alone = phase_resistance(metre_of_wire(0.4), 20)
    np.testing.assert_allclose(
        phase_resistance(metre_of_wire(0.4, strands=7), 20), alone / 7, rtol=1e-12
    )
