"""Electrical sheet for stators and plain steel for rings."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from math import pi

import numpy as np
from numpy.typing import NDArray

from arrayopt.materials.rows import number, read_rows
from arrayopt.quantities import MU0

_LOSS_FLUX_DENSITY, _LOSS_FREQUENCY = 1.5, 50.0  # where EN 10106 states the loss


@dataclass(frozen=True)
class Steel:
    """A row of steels.csv with its magnetisation curve, in SI units.

    Attributes
    ----------
    name : str
    density : float
        [kg/m3].
    thickness, resistivity, loss : float
        Of a sheet [m], [ohm m], [W/kg at 1.5 T peak and 50 Hz]; NaN for solid steel.
    knee : float
        Flux density past which the iron saturates [T].
    curve_field, curve_flux_density : ndarray
        Points of the curve [A/m], [T], rising.

    """

    name: str
    density: float
    thickness: float
    resistivity: float
    loss: float
    knee: float
    curve_field: NDArray[np.float64] = field(compare=False)
    curve_flux_density: NDArray[np.float64] = field(compare=False)

    def field_at(
        self, flux_density: NDArray[np.float64], *, air: float = 0.0
    ) -> NDArray[np.float64]:
        """Field [A/m] that a flux density [T] of any sign needs; saturated past the curve.

        Parameters
        ----------
        flux_density : ndarray
            All flux over the iron's section [T].
        air : float
            Section of air beside the iron that the same field drives flux through, over
            that of the iron.

        Examples
        --------
        >>> import numpy as np
        >>> steel("M330-50A").field_at(np.array([-1.2, 2.5])).round(-2).tolist()
        [-200.0, 382000.0]
        """
        size = np.abs(flux_density)
        curve = self.curve_flux_density + MU0 * air * self.curve_field
        beyond = np.maximum(size - curve[-1], 0) / (MU0 * (1 + air))
        return np.asarray(
            np.sign(flux_density) * (np.interp(size, curve, self.curve_field)
            + beyond)
        )  # fmt: skip

    def loss_coefficients(self) -> tuple[float, float]:
        """Hysteresis and eddy loss: W/kg per (f B^2) and per (f B)^2, f in Hz, peak B in T.

        The eddy part is that of classical theory, ``pi^2 d^2/(6 rho density)``, at most all of
        the stated loss; the rest is counted as hysteresis. The sum meets the sheet's figure.

        References
        ----------
        Handbook formula for thin sheets under sinusoidal flux (from memory).

        Examples
        --------
        >>> hysteresis, eddy = steel("M330-50A").loss_coefficients()
        >>> round(hysteresis * 50 * 1.5**2 + eddy * (50 * 1.5) ** 2, 3)
        3.3
        """
        classical = pi**2 * self.thickness**2 / (6 * self.resistivity * self.density)
        eddy = min(classical, self.loss / (_LOSS_FREQUENCY * _LOSS_FLUX_DENSITY) ** 2)
        stated = self.loss - eddy * (_LOSS_FREQUENCY * _LOSS_FLUX_DENSITY) ** 2
        return stated / (_LOSS_FREQUENCY * _LOSS_FLUX_DENSITY**2), eddy


def steel(name: str) -> Steel:
    """Return a steel; KeyError if it is not in the list."""
    return _steels()[name]


def steels() -> tuple[str, ...]:
    """Return the names of all steels."""
    return tuple(_steels())


def sheets() -> tuple[str, ...]:
    """Return the names of the steels that come as electrical sheet."""
    return tuple(name for name, row in _steels().items() if row.loss == row.loss)


@cache
def _steels() -> dict[str, Steel]:
    curves: dict[str, list[tuple[float, float]]] = {}
    for row in read_rows("steel_curves.csv"):
        point = (float(row["field_a_per_m"]), float(row["polarisation_t"]))
        curves.setdefault(row["name"], []).append(point)
    found = {}
    for row in read_rows("steels.csv"):
        H, J = np.array(curves[row["name"]]).T
        found[row["name"]] = Steel(
            name=row["name"],
            density=float(row["density_kg_m3"]),
            thickness=number(row["thickness_mm"]) * 1e-3,
            resistivity=number(row["resistivity_ohm_m"]),
            loss=number(row["loss_w_per_kg"]),
            knee=float(row["knee_t"]),
            curve_field=H,
            curve_flux_density=J + MU0 * H,
        )
    return found
