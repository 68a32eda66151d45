"""One motor's sector: made once, then solved at any rotor angle and current."""

from __future__ import annotations

from functools import cached_property
from math import cos, pi, sin

import numpy as np

from arrayopt.confirmation.cells import free_gap, half_pole, half_slot, stator_edge
from arrayopt.confirmation.library import ngs
from arrayopt.confirmation.newton import Halves, Solution, System
from arrayopt.confirmation.sector import repeated, sector_of
from arrayopt.confirmation.side import Side, wave_block
from arrayopt.confirmation.waves import Air, air_between
from arrayopt.confirmation.windings import coil_sides
from arrayopt.layout import build_layout
from arrayopt.quantities import MM, MU0, Array
from arrayopt.study import Study

ORDER = 3  # of the elements
SHEETS = "tooth|tip|yoke"


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
        self.stator_still += wave_block(self.near, self.near, self.air.own, self.stator.space.ndof)
        if self.study.stator.kind == "ironless":
            self.stator_still += self.stator.open_end(grounded=False)
        grades = self.layout.grades
        recoil = {
            region: 1 / MU0 / grades[self.family(region)][0].recoil_permeability
            for region in self.magnets
        }
        self.rotor_still = self.rotor.stiff(air[self.rotor] | recoil)
        self.rotor_still += wave_block(self.far, self.far, self.air.own, self.rotor.space.ndof)
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
        return self.layout.family_at(self.place(region))

    def direction(self, region: str) -> float:
        """Angle of a magnet's polarisation in the rotor's frame [rad]."""
        place, layout = self.place(region), self.layout
        count = int(layout.pole_pairs[0]) * layout.magnets_per_pole_pair
        return 2 * pi * place / count + layout.direction_at(place)

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
    def halves(self) -> Halves:
        """Both sides as Newton's method takes them."""
        return Halves(
            self.stator, self.rotor, self.stator_still, self.rotor_still, self.near, self.far,
            self.air, self.magnet_source,
        )  # fmt: skip

    # --- one position -----------------------------------------------------------------------

    def system(self, *, saturates: bool) -> System:
        """Unknowns and matrix pattern of a kind of iron."""
        if saturates and self.rotor.iron is not None:
            return self._both
        return self._stator_alone

    @cached_property
    def _stator_alone(self) -> System:
        return System(self.halves, with_rotor=False)

    @cached_property
    def _both(self) -> System:
        return System(self.halves, with_rotor=True)

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
