"""Stator or rotor: mesh, space, and the matrices that do not change with the position."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import sparse

from arrayopt.confirmation.library import ngs
from arrayopt.confirmation.sector import Mesh, Sector
from arrayopt.confirmation.waves import Trace, air_beyond, trace_on, wave_numbers
from arrayopt.materials import Steel
from arrayopt.quantities import MU0, Array

_IDEAL = 1e-5  # 1/mu_r of iron that does not saturate
_SATURATED = 10.0  # T; end of the extended magnetisation curve
_SOFT = 1e-12  # T^2, keeps the root of B^2 smooth at zero


class Side:
    """Stator or rotor: its mesh and space, and all of it that does not change.

    Parameters
    ----------
    mesh : Mesh
    sector : Sector
    order : int
        Of the elements.
    fixed : bool
        The potential is zero on the circle ``far``.

    Attributes
    ----------
    free : ndarray of bool
        Unknowns that have an equation of their own.
    ideal : scipy.sparse.csr_array
        Of iron that does not saturate.
    iron : ngsolve.BilinearForm or None
        Energy of iron that does.

    """

    def __init__(self, mesh: Mesh, sector: Sector, *, order: int, fixed: bool) -> None:
        self.mesh, self.sector = mesh, sector
        space = ngs.H1(mesh.mesh, order=order, dirichlet="far" if fixed else "")
        if not sector.closed:
            phase = {"phase": [-1.0]} if sector.sign < 0 else {}
            space = ngs.Periodic(space, **phase)
        self.space = space
        self.free = np.array([bool(free) for free in space.FreeDofs()])
        self.iron: Any = None
        self.ideal = sparse.csr_array((space.ndof, space.ndof))
        self.regions = tuple(mesh.mesh.GetMaterials())

    def stiff(self, reluctivity: dict[str, float]) -> Any:
        """Assemble regions of given 1/(mu0 mu_r)."""
        u, v = self.space.TnT()
        form = ngs.BilinearForm(self.space)
        factor = self.mesh.mesh.MaterialCF(reluctivity, default=0.0)
        form += factor * ngs.grad(u) * ngs.grad(v) * ngs.dx("|".join(reluctivity))
        form.Assemble()
        return csr(form.mat)

    def add_iron(self, steels: dict[str, tuple[Steel, float]]) -> None:
        """Add iron: regions (joined by |), their steel and the share of it in the stack."""
        u = self.space.TrialFunction()
        size = ngs.sqrt(ngs.grad(u) * ngs.grad(u) + _SOFT)
        for regions, (steel, share) in steels.items():
            if not any(one in self.regions for one in regions.split("|")):
                continue
            self.iron = self.iron or ngs.BilinearForm(self.space)
            energy = magnetisation(steel, share=share).Integrate()
            self.iron += ngs.Variation(energy(size) * ngs.dx(regions))
            found = [one for one in regions.split("|") if one in self.regions]
            self.ideal = self.ideal + self.stiff(dict.fromkeys(found, _IDEAL / MU0))

    def waves(self, circle: str) -> Array:
        """Waves per turn that a circle can follow."""
        return wave_numbers(self.mesh, self.sector, circle)

    def open_end(self, *, grounded: bool) -> Any:
        """Energy of free space past the mesh's end away from the gap."""
        numbers = self.waves("far")
        end = self.trace("far", numbers)
        beyond = air_beyond(self.sector, numbers, grounded=grounded)
        return wave_block(end, end, beyond, self.space.ndof)

    def trace(self, circle: str, numbers: Array) -> Trace:
        """Return the waves on a circle."""
        return trace_on(self.mesh, self.space, self.sector, circle, numbers)


def magnetisation(steel: Steel, *, share: float) -> Any:
    """H [A/m] against B [T] of a stack with a share of iron, as the steel's curve has it."""
    H = steel.curve_field
    B = share * (steel.curve_flux_density - MU0 * H) + MU0 * H
    H, B = np.append(H, H[-1] + (_SATURATED - B[-1]) / MU0), np.append(B, _SATURATED)
    return ngs.BSpline(2, [0, *B], list(H))


def csr(matrix: Any) -> Any:
    """Return an assembled matrix."""
    rows, columns, values = matrix.COO()
    return sparse.csr_array(
        (np.array(values), (np.array(rows), np.array(columns))), shape=matrix.shape
    )


def wave_block(one: Trace, other: Trace, factor: Array, size: int) -> Any:
    """Energy of waves as a matrix over unknowns: real(conj(one) factor other)."""
    values = np.real(np.conj(one.waves).T @ (factor[:, None] * other.waves))
    rows, columns = np.meshgrid(one.unknowns, other.unknowns, indexing="ij")
    return sparse.csr_array((values.ravel(), (rows.ravel(), columns.ravel())), shape=(size, size))
