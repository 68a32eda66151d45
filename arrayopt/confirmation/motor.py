"""One motor's sector: matrices made once, then solved at any rotor angle and current by Newton."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import cos, pi, sin
from typing import Any

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import splu

from arrayopt.confirmation.cells import free_gap, half_pole, half_slot, stator_edge
from arrayopt.confirmation.library import ngs
from arrayopt.confirmation.sector import Mesh, Sector, repeated, sector_of
from arrayopt.confirmation.waves import (
    Air,
    Trace,
    air_between,
    air_beyond,
    trace_on,
    wave_numbers,
)
from arrayopt.confirmation.windings import coil_sides
from arrayopt.errors import ArrayoptError
from arrayopt.layout import build_layout
from arrayopt.layout.build import MM
from arrayopt.layout.shapes import Array
from arrayopt.materials import MU0, Steel
from arrayopt.study import Study

ORDER = 3  # of the elements
SHEETS = "tooth|tip|yoke"
_IDEAL = 1e-5  # 1/mu_r of iron that does not saturate
_SATURATED = 10.0  # T; end of the extended magnetisation curve
_STEPS, _LEAST, _ACCURATE, _ROUNDING = 60, 1e-3, 1e-11, 1e-12
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
    stiffness : scipy.sparse.csr_array
        Of everything but iron.
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
        return _block(end, end, beyond, self.space.ndof)

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


@dataclass(frozen=True)
class Solution:
    """Potentials of one position.

    Attributes
    ----------
    angle : float
        Of the rotor [rad].
    stator, rotor : ndarray
        Unknowns of each side [Wb/m].
    energy : float
        Field energy less what magnets and currents put in, per length of the sector [J/m].
    tangent : callable
        Solves the linearised problem for a source on the stator's unknowns.

    """

    angle: float
    stator: Array
    rotor: Array
    energy: float
    tangent: Any


class Motor:
    """Finite elements of a motor's sector in the plane.

    Parameters
    ----------
    study : Study
        Completed (`arrayopt.confirmation.completed`), without skew.
    remanence : float
        Scale of all magnets' remanence.
    size : float
        Scale of the mesh.
    order : int
        Of the elements.

    """

    def __init__(
        self, study: Study, *, remanence: float = 1.0, size: float = 1.0, order: int = ORDER
    ) -> None:
        self.study, self.layout = study, build_layout(study)
        self.sector = sector_of(self.layout)
        self.gap = free_gap(study, self.layout)
        self.stator_edge = stator_edge(study) * MM
        M, alike = self.layout.magnets_per_pole_pair, self.layout.magnets_per_pole_pair % 2 == 0
        slotted = study.stator.kind == "slotted"
        iron_back = slotted or (study.stator.kind == "smooth" and bool(study.stator.yoke_mm))
        stator = repeated(half_slot(study, self.gap, size=size), self.sector)
        rotor = repeated(
            half_pole(self.layout, self.gap, size=size), self.sector, pieces=M // 2 if alike else M
        )
        self.stator = Side(stator, self.sector, order=order, fixed=iron_back)
        self.rotor = Side(rotor, self.sector, order=order, fixed=False)
        sheet = study.steel(study.stator.sheet)
        ring = study.steel(study.rotor.ring_steel)
        self.stator.add_iron({SHEETS: (sheet, study.stator.stacking_factor)})
        self.rotor.add_iron({"ring": (ring, 1.0)})
        self._couple(grounded=not iron_back)
        self._magnets(remanence)
        self._coils()

    # --- what is made once ------------------------------------------------------------------

    def _couple(self, *, grounded: bool) -> None:
        # As many waves as both circles of the gap can follow.
        circles = [side.waves("gap") for side in (self.stator, self.rotor)]
        numbers = min(circles, key=len)
        self.air: Air = air_between(self.gap, self.sector, numbers)
        self.near = self.stator.trace("gap", numbers)
        self.far = self.rotor.trace("gap", numbers)
        air = {
            side: dict.fromkeys(
                (r for r in side.regions if r.startswith(("air", "gap", "slot"))), 1 / MU0
            )
            for side in (self.stator, self.rotor)
        }
        self.stator_still = self.stator.stiff(air[self.stator])
        self.stator_still += _block(self.near, self.near, self.air.own, self.stator.space.ndof)
        if self.study.stator.kind == "ironless":
            self.stator_still += self.stator.open_end(grounded=False)
        grades = self.layout.grades
        recoil = {
            region: 1 / MU0 / grades[self.family(region)][0].recoil_permeability
            for region in self.magnets
        }
        self.rotor_still = self.rotor.stiff(air[self.rotor] | recoil)
        self.rotor_still += _block(self.far, self.far, self.air.own, self.rotor.space.ndof)
        self.rotor_still += self.rotor.open_end(grounded=grounded)

    @cached_property
    def magnets(self) -> tuple[str, ...]:
        """Regions of the magnets."""
        return tuple(r for r in self.rotor.regions if r.startswith("magnet"))

    def place(self, region: str) -> int:
        """Place of a magnet's region on the ring, past the sector's end for its last half."""
        return int(region.removeprefix("magnet"))

    def family(self, region: str) -> int:
        """Which of the layout's families a magnet's region belongs to."""
        k = self.place(region) % self.layout.magnets_per_pole_pair
        return next(i for i, f in enumerate(self.layout.families) if k in f.places)

    def direction(self, region: str) -> float:
        """Angle of a magnet's polarisation in the rotor's frame [rad]."""
        p = int(self.layout.pole_pairs[0])
        angle = 2 * pi * self.place(region) / (p * self.layout.magnets_per_pole_pair)
        return (1 + p if self.layout.outer else 1 - p) * angle

    def _magnets(self, remanence: float) -> None:
        self.remanence: dict[str, float] = {}
        source: tuple[dict[str, float], dict[str, float]] = ({}, {})
        temperature = self.study.rotor.magnet_temperature_c
        for region in self.magnets:
            grade = self.layout.grades[self.family(region)][0]
            self.remanence[region] = remanence * grade.remanence_at(temperature)
            H = self.remanence[region] / (MU0 * grade.recoil_permeability)
            source[0][region] = H * cos(self.direction(region))
            source[1][region] = H * sin(self.direction(region))
        mesh, v = self.rotor.mesh.mesh, self.rotor.space.TestFunction()
        x, y = (mesh.MaterialCF(part, default=0.0) for part in source)
        form = ngs.LinearForm(self.rotor.space)
        slope = ngs.grad(v)
        form += (x * slope[1] - y * slope[0]) * ngs.dx("|".join(self.magnets))
        form.Assemble()
        self.magnet_source = form.vec.FV().NumPy().copy()

    def _coils(self) -> None:
        """Mean potential of every half slot, as a row over the stator's unknowns."""
        v = self.stator.space.TestFunction()
        count = 2 * self.sector.teeth
        self.sides = coil_sides(self.study)[:count]
        self.means = np.zeros((count, self.stator.space.ndof))
        for k in range(count):
            where = self.stator.mesh.mesh.Materials(f"slot{k}")
            area = ngs.Integrate(ngs.CF(1), self.stator.mesh.mesh, definedon=where)
            form = ngs.LinearForm(self.stator.space)
            form += v / area * ngs.dx(f"slot{k}")
            form.Assemble()
            self.means[k] = form.vec.FV().NumPy()

    @cached_property
    def answer(self) -> _Answer:
        """The rotor as seen from the gap, where it has no iron that saturates."""
        return _Answer(
            self.rotor_still + self.rotor.ideal, self.far, self.magnet_source, self.rotor.free
        )

    # --- one position -----------------------------------------------------------------------

    def system(self, *, saturates: bool) -> _System:
        """Unknowns and matrix pattern of a kind of iron."""
        if saturates and self.rotor.iron is not None:
            return self._both
        return self._stator_alone

    @cached_property
    def _stator_alone(self) -> _System:
        return _System(self, with_rotor=False)

    @cached_property
    def _both(self) -> _System:
        return _System(self, with_rotor=True)

    def solve(
        self,
        angle: float,
        *,
        currents: Array | None = None,
        saturates: bool = True,
        start: Solution | None = None,
    ) -> Solution:
        """Solve one position.

        Parameters
        ----------
        angle : float
            Of main magnet 0 from the middle of slot 0 [rad].
        currents : ndarray, shape (3,), optional
            At the terminals of each phase [A].
        saturates : bool
            Iron by its curve, else 1e5 times as permeable as air.
        start : Solution, optional
            A solution nearby, to begin with.

        Raises
        ------
        ArrayoptError
            If Newton's method does not settle.

        """
        drive = np.zeros(self.stator.space.ndof)
        if currents is not None:
            drive = (self.sides @ np.asarray(currents, dtype=float)) @ self.means
        return self.system(saturates=saturates).solve(
            angle, drive, saturates=saturates, start=start
        )

    def waves(self, solution: Solution) -> tuple[Array, Array]:
        """Waves on both circles of the gap, those of the rotor in the stator's frame [Wb/m]."""
        near = self.near.waves @ solution.stator[self.near.unknowns]
        far = self.far.waves @ solution.rotor[self.far.unknowns]
        return near, far * np.exp(1j * self.air.numbers * solution.angle)


def _block(one: Trace, other: Trace, factor: Array, size: int) -> Any:
    """Energy of waves as a matrix over unknowns: real(conj(one) factor other)."""
    values = np.real(np.conj(one.waves).T @ (factor[:, None] * other.waves))
    rows, columns = np.meshgrid(one.unknowns, other.unknowns, indexing="ij")
    return sparse.csr_array((values.ravel(), (rows.ravel(), columns.ravel())), shape=(size, size))


class _Answer:
    """A rotor without saturating iron: what its waves answer to those of the stator.

    Waves are split into cosines and sines: shape (2 wave,).
    """

    def __init__(self, matrix: Any, trace: Trace, source: Array, free: Array) -> None:
        # Unknowns that others stand for have no equation of their own.
        idle = sparse.diags_array((~free).astype(float))
        self._solve = splu(
            sparse.csc_matrix(matrix + idle),
            permc_spec="MMD_AT_PLUS_A",
            diag_pivot_thresh=0.0,
            options={"SymmetricMode": True},
        ).solve
        waves = _split(trace.waves)
        self._rows = np.zeros((len(waves), matrix.shape[0]))
        self._rows[:, trace.unknowns] = waves
        self._source = source
        self._own = self._solve(source)
        moved = self._solve(np.ascontiguousarray(self._rows.T))
        self.gain = waves @ moved[trace.unknowns]
        self.own = waves @ self._own[trace.unknowns]
        self.energy = -0.5 * source @ self._own

    def unknowns(self, drive: Array) -> Array:
        """Solve the rotor for what its waves are driven by."""
        return np.asarray(self._solve(self._source + self._rows.T @ drive))


class _System:
    """Unknowns that Newton's method changes: the stator's, and the rotor's if it saturates."""

    def __init__(self, motor: Motor, *, with_rotor: bool) -> None:
        self.motor, self.with_rotor = motor, with_rotor
        self.split = motor.stator.space.ndof
        self.sides = [motor.stator, *([motor.rotor] if with_rotor else [])]
        blocks = [motor.stator_still, *([motor.rotor_still] if with_rotor else [])]
        self.still = sparse.block_diag(blocks, format="csr")
        self.ideal = sparse.block_diag([side.ideal for side in self.sides], format="csr")
        self.free = np.concatenate([side.free for side in self.sides])
        unknowns = [motor.near.unknowns]
        if with_rotor:
            unknowns.append(motor.far.unknowns + self.split)
        self.coupled = np.concatenate(unknowns)
        size = self.still.shape[0]
        rows, columns = np.meshgrid(self.coupled, self.coupled, indexing="ij")
        dense = sparse.csr_array(
            (np.ones(rows.size), (rows.ravel(), columns.ravel())), shape=(size, size)
        )
        irons = [self._iron_pattern(k) for k in range(len(self.sides))]
        # Ones, for sums would drop entries that happen to be zero in one of the parts.
        pattern = sum([_ones(self.still), _ones(self.ideal), dense, *irons[1:]], irons[0]).tocoo()
        self.matrix = ngs.la.SparseMatrixd.CreateFromCOO(
            pattern.row, pattern.col, np.zeros(pattern.nnz), size, size
        )
        self.values = self.matrix.AsVector().FV().NumPy()
        r, c, _ = self.matrix.COO()
        keys = np.asarray(r, dtype=np.int64) * size + np.asarray(c)
        self._order, self._keys = np.argsort(keys), np.sort(keys)
        self._still_at = self._where(self.still)
        self._ideal_at = self._where(self.ideal)
        self._dense_at = self._where(dense)
        self._dense_cells = (rows, columns)
        self._iron_at = [self._places(*self._iron_cells(k)) for k in range(len(self.sides))]
        free = ngs.BitArray(size)
        free.Clear()
        for k in np.flatnonzero(self.free):
            free[int(k)] = True
        self._free_bits = free
        self._inverse: Any = None
        self._in, self._out = self.matrix.CreateColVector(), self.matrix.CreateColVector()
        self.vectors = [ngs.GridFunction(side.space).vec for side in self.sides]

    def _where(self, matrix: Any) -> Array:
        """Places of a matrix' entries among the values."""
        coo = matrix.tocoo()
        return self._places(coo.row, coo.col)

    def _places(self, rows: Array, columns: Array) -> Array:
        keys = rows.astype(np.int64) * self.still.shape[0] + columns
        return np.asarray(self._order[np.searchsorted(self._keys, keys)])

    def _iron_cells(self, k: int) -> tuple[Array, Array]:
        """Rows and columns of a side's iron, in the order of its values."""
        side, offset = self.sides[k], 0 if k == 0 else self.split
        if side.iron is None:
            return np.zeros(0, dtype=int), np.zeros(0, dtype=int)
        side.iron.AssembleLinearization(ngs.GridFunction(side.space).vec)
        rows, columns, _ = side.iron.mat.COO()
        return np.asarray(rows) + offset, np.asarray(columns) + offset

    def _iron_pattern(self, k: int) -> Any:
        rows, columns = self._iron_cells(k)
        return sparse.csr_array((np.ones(len(rows)), (rows, columns)), shape=self.still.shape)

    def coupling(self, angle: float) -> tuple[Array, Array, float]:
        """Matrix over the coupled unknowns, source on them, and energy that stays."""
        motor, air = self.motor, self.motor.air
        turned = air.crossed * np.exp(1j * air.numbers * angle)
        if self.with_rotor:
            cross = -np.real(np.conj(motor.near.waves).T @ (turned[:, None] * motor.far.waves))
            n, m = cross.shape
            matrix = np.block([[np.zeros((n, n)), cross], [cross.T, np.zeros((m, m))]])
            return matrix, np.zeros(n + m), 0.0
        # What the stator's unknowns drive the rotor's waves by.
        drive = _split(np.conj(turned)[:, None] * motor.near.waves)
        answer = motor.answer
        return -drive.T @ (answer.gain @ drive), answer.own @ drive, answer.energy

    def solve(
        self, angle: float, drive: Array, *, saturates: bool, start: Solution | None
    ) -> Solution:
        """Minimise the energy by Newton's method, steps halved while it grows."""
        dense, push, rest = self.coupling(angle)
        source = np.zeros(self.still.shape[0])
        source[: self.split] = drive
        if self.with_rotor:
            source[self.split :] = self.motor.magnet_source
        source[self.coupled] += push
        fixed = np.zeros_like(self.values)
        fixed[self._still_at] += self.still.tocoo().data
        fixed[self._dense_at] += dense.ravel()
        if not saturates:
            fixed[self._ideal_at] += self.ideal.tocoo().data
        x = np.zeros(len(source))
        if start is not None:
            x[: self.split] = start.stator
            if self.with_rotor:
                x[self.split :] = start.rotor
        problem = _Problem(self, fixed, dense, source, saturates=saturates)
        x, energy = problem.minimum(x)
        stator = x[: self.split]
        return Solution(
            angle, stator, self._rotor(angle, x), energy + rest,
            lambda more: self.tangent(fixed, x, more, saturates=saturates),
        )  # fmt: skip

    def _rotor(self, angle: float, x: Array) -> Array:
        """Return the rotor's unknowns, or solve for them once the stator's are known."""
        if self.with_rotor:
            return np.asarray(x[self.split :])
        motor = self.motor
        turned = motor.air.crossed * np.exp(1j * motor.air.numbers * angle)
        near = motor.near.waves @ x[motor.near.unknowns]
        return np.asarray(motor.answer.unknowns(_split(np.conj(turned) * near)))

    def tangent(self, fixed: Array, x: Array, more: Array, *, saturates: bool) -> Array:
        """Change of the stator's unknowns with a little more source on them."""
        self.factor(fixed, x, saturates=saturates)
        whole = np.zeros(len(x))
        whole[: self.split] = more
        return self.divided(whole)[: self.split]

    def set_sides(self, x: Array) -> list[Any]:
        """Put unknowns into the sides' own vectors."""
        self.vectors[0].FV().NumPy()[:] = x[: self.split]
        if self.with_rotor:
            self.vectors[1].FV().NumPy()[:] = x[self.split :]
        return self.vectors

    def factor(self, fixed: Array, x: Array, *, saturates: bool) -> None:
        """Factor the matrix that is linear about some unknowns."""
        self.values[:] = fixed
        if saturates:
            vectors = self.set_sides(x)
            for side, vector, place in zip(self.sides, vectors, self._iron_at, strict=True):
                if side.iron is not None:
                    side.iron.AssembleLinearization(vector)
                    self.values[place] += side.iron.mat.AsVector().FV().NumPy()
        if self._inverse is None:
            self._inverse = self.matrix.Inverse(self._free_bits, inverse="sparsecholesky")
        else:
            self._inverse.Update()

    def divided(self, vector: Array) -> Array:
        """Solve with the matrix that was factored last."""
        self._in.FV().NumPy()[:] = np.where(self.free, vector, 0.0)
        self._out.data = self._inverse * self._in
        return np.asarray(self._out.FV().NumPy().copy())


class _Problem:
    """Energy of one position over the unknowns, and its minimum."""

    def __init__(
        self, system: _System, fixed: Array, dense: Array, source: Array, *, saturates: bool
    ) -> None:
        self.system, self.fixed, self.saturates = system, fixed, saturates
        self.dense, self.source = dense, source
        self.still = system.still if saturates else system.still + system.ideal

    def slope(self, x: Array) -> tuple[Array, float]:
        """Slope and energy."""
        system = self.system
        linear = self.still @ x
        linear[system.coupled] += self.dense @ x[system.coupled]
        slope, energy = linear - self.source, 0.5 * x @ linear - self.source @ x
        if self.saturates:
            first = 0
            for side, vector in zip(system.sides, system.set_sides(x), strict=True):
                last = first + side.space.ndof
                if side.iron is not None:
                    part = vector.CreateVector()
                    side.iron.Apply(vector, part)
                    slope[first:last] += part.FV().NumPy()
                    energy += side.iron.Energy(vector)
                first = last
        return slope, float(energy)

    def minimum(self, x: Array) -> tuple[Array, float]:
        """Take Newton's steps, halved while the energy grows."""
        slope, energy = self.slope(x)
        for _ in range(_STEPS):
            self.system.factor(self.fixed, x, saturates=self.saturates)
            step = self.system.divided(slope)
            gain, factor = float(step @ slope), 1.0
            while True:
                tried = x - factor * step
                slope, reached = self.slope(tried)
                enough = reached <= energy + _ROUNDING * abs(energy) or factor < _LEAST
                if enough or not self.saturates:
                    break
                factor /= 2
            x, energy = tried, reached
            if not self.saturates or abs(gain) <= _ACCURATE * abs(energy):
                return x, energy
        raise ArrayoptError(
            "finite elements: Newton's method did not settle; a finer mesh (--mesh 0.7) may help, "
            "or fewer ampere-turns if the iron is deep in saturation"
        )


def _ones(matrix: Any) -> Any:
    """Return the pattern of a matrix."""
    found = matrix.copy()
    found.data = np.ones_like(found.data)
    return found


def _split(waves: Array) -> Array:
    """Cosines, then sines, of waves."""
    return np.concatenate([waves.real, waves.imag])
