"""One position solved: Newton's method on a matrix whose pattern never changes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import splu

from arrayopt.confirmation.library import ngs
from arrayopt.confirmation.side import Side
from arrayopt.confirmation.waves import Air, Trace
from arrayopt.errors import ArrayoptError
from arrayopt.quantities import Array

_STEPS, _LEAST, _ACCURATE, _ROUNDING = 60, 1e-3, 1e-11, 1e-12


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


class Answer:
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


@dataclass(frozen=True)
class Halves:
    """Both sides of the gap and what couples them.

    Attributes
    ----------
    stator, rotor : Side
    stator_still, rotor_still : sparse matrix
        Of all that does not saturate, the gap's own waves included.
    near, far : Trace
        The gap's circle at the stator, and at the rotor.
    air : Air
        Between the two circles.
    magnet_source : ndarray
        What the magnets put in, over the rotor's unknowns.

    """

    stator: Side
    rotor: Side
    stator_still: Any
    rotor_still: Any
    near: Trace
    far: Trace
    air: Air
    magnet_source: Array

    @cached_property
    def answer(self) -> Answer:
        """The rotor as seen from the gap, where it has no iron that saturates."""
        return Answer(
            self.rotor_still + self.rotor.ideal, self.far, self.magnet_source, self.rotor.free
        )


class System:
    """Unknowns that Newton's method changes: the stator's, and the rotor's if it saturates."""

    def __init__(self, halves: Halves, *, with_rotor: bool) -> None:
        self.halves, self.with_rotor = halves, with_rotor
        self.split = halves.stator.space.ndof
        self.sides = [halves.stator, *([halves.rotor] if with_rotor else [])]
        blocks = [halves.stator_still, *([halves.rotor_still] if with_rotor else [])]
        self.still = sparse.block_diag(blocks, format="csr")
        self.ideal = sparse.block_diag([side.ideal for side in self.sides], format="csr")
        self.free = np.concatenate([side.free for side in self.sides])
        unknowns = [halves.near.unknowns]
        if with_rotor:
            unknowns.append(halves.far.unknowns + self.split)
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
        halves, air = self.halves, self.halves.air
        turned = air.crossed * np.exp(1j * air.numbers * angle)
        if self.with_rotor:
            cross = -np.real(np.conj(halves.near.waves).T @ (turned[:, None] * halves.far.waves))
            n, m = cross.shape
            matrix = np.block([[np.zeros((n, n)), cross], [cross.T, np.zeros((m, m))]])
            return matrix, np.zeros(n + m), 0.0
        # What the stator's unknowns drive the rotor's waves by.
        drive = _split(np.conj(turned)[:, None] * halves.near.waves)
        answer = halves.answer
        return -drive.T @ (answer.gain @ drive), answer.own @ drive, answer.energy

    def solve(
        self, angle: float, drive: Array, *, saturates: bool, start: Solution | None
    ) -> Solution:
        """Minimise the energy by Newton's method, steps halved while it grows."""
        dense, push, rest = self.coupling(angle)
        source = np.zeros(self.still.shape[0])
        source[: self.split] = drive
        if self.with_rotor:
            source[self.split :] = self.halves.magnet_source
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
        halves = self.halves
        turned = halves.air.crossed * np.exp(1j * halves.air.numbers * angle)
        near = halves.near.waves @ x[halves.near.unknowns]
        return np.asarray(halves.answer.unknowns(_split(np.conj(turned) * near)))

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
        self, system: System, fixed: Array, dense: Array, source: Array, *, saturates: bool
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
