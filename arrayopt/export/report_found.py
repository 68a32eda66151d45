"""Everything computed of the design that a report is about."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import xarray as xr
from matplotlib.figure import Figure

from arrayopt.checks import Check, check_limits
from arrayopt.checks.assembly import Assembly, assembly
from arrayopt.checks.stray import Stray, stray, stray_checks
from arrayopt.checks.strength import Strength, strength, strength_checks
from arrayopt.comparison import Comparison, compare
from arrayopt.evaluation import evaluate
from arrayopt.export.cut_list import CutList, cut_list
from arrayopt.export.driver import DriverValue, driver_data
from arrayopt.export.results_folder import evaluation_pictures
from arrayopt.scatter.run import tolerance
from arrayopt.search import SearchResult
from arrayopt.study import Study


@dataclass(frozen=True)
class Evaluated:
    """A design with its figures, its pictures and plain layouts beside it, each made once."""

    study: Study
    results: xr.Dataset
    comparison: Comparison

    @cached_property
    def pictures(self) -> dict[str, Figure]:
        """Pictures of the evaluation by the names of their files."""
        return evaluation_pictures(self.study, self.results)


def evaluated(study: Study) -> Evaluated:
    """Evaluate a design and put it beside plain layouts."""
    return Evaluated(study, evaluate(study), compare(study))


@dataclass(frozen=True)
class Found:
    """Everything computed of the design that a report is about."""

    design: Evaluated
    order: CutList
    assembly: Assembly
    strength: Strength
    stray: Stray
    driver: tuple[DriverValue, ...]
    scatter: xr.Dataset
    result: SearchResult | None = None
    chosen: str = ""

    @property
    def study(self) -> Study:
        """The design."""
        return self.design.study

    @property
    def results(self) -> xr.Dataset:
        """Its figures."""
        return self.design.results

    @property
    def comparison(self) -> Comparison:
        """Plain layouts beside it."""
        return self.design.comparison

    @property
    def judged(self) -> list[Check]:
        """Every check of the design: figures, strength, position sensor."""
        return _judged(self.study, self.results, self.strength, self.stray)


def found_of(
    design: Study | Evaluated,
    *,
    motors: int | None = None,
    spares_percent: float | None = None,
    result: SearchResult | None = None,
    chosen: str = "",
) -> Found:
    """Compute everything that a report on a design says.

    Parameters
    ----------
    design : Study or Evaluated
        What is evaluated already is not evaluated again.
    motors, spares_percent
        Of the order, instead of the study's.
    result : SearchResult, optional
        Search that the design comes from.
    chosen : str
        Its name there.

    """
    design = design if isinstance(design, Evaluated) else evaluated(design)
    study, results = design.study, design.results
    held, outside = strength(study), stray(study)
    missed = tuple(c.name for c in _judged(study, results, held, outside) if not c.ok)
    order = cut_list(study, motors=motors, spares_percent=spares_percent)
    return Found(
        design=design,
        order=replace(order, missed=missed),
        assembly=assembly(study),
        strength=held,
        stray=outside,
        driver=driver_data(study, results),
        scatter=tolerance(study),
        result=result,
        chosen=chosen,
    )


def _judged(study: Study, results: xr.Dataset, held: Strength, outside: Stray) -> list[Check]:
    return [
        *check_limits(study, results),
        *strength_checks(study, held),
        *stray_checks(study, outside),
    ]
