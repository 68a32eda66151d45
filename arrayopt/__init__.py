"""Optimise magnetic rotor arrays: figures, comparison, search, order, drawings, assembly.

Names are loaded when they are first used, so that the command line starts quickly.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from arrayopt.checks import Check, cautions, check_limits
    from arrayopt.checks.assembly import Assembly, assembly
    from arrayopt.checks.stray import Stray, stray
    from arrayopt.checks.strength import Strength, strength
    from arrayopt.comparison import Comparison, compare
    from arrayopt.confirmation.front import ConfirmedFront, confirm_front
    from arrayopt.confirmation.results import Confirmation
    from arrayopt.confirmation.run import confirm
    from arrayopt.errors import ArrayoptError, NothingFeasibleError, StudyError
    from arrayopt.evaluation import evaluate, evaluate_batch, load_study
    from arrayopt.export.cut_list import CutList, Piece, cut_list
    from arrayopt.export.drawings import write_drawings
    from arrayopt.export.driver import driver_data
    from arrayopt.layout import Layout, build_layout
    from arrayopt.measurement.as_built import AsBuilt, as_built
    from arrayopt.measurement.files import read_measured
    from arrayopt.measurement.sorting import Sorting, sort_magnets
    from arrayopt.scatter.run import tolerance
    from arrayopt.search import SearchResult, optimise, read_search
    from arrayopt.search.layouts import LayoutFronts, compare_layouts
    from arrayopt.study import Study, starter_text
    from arrayopt.variation import sweep

_HOME = {
    "ArrayoptError": "errors", "NothingFeasibleError": "errors", "StudyError": "errors",
    "Check": "checks", "cautions": "checks", "check_limits": "checks",
    "Assembly": "checks.assembly", "assembly": "checks.assembly",
    "Strength": "checks.strength", "strength": "checks.strength",
    "Stray": "checks.stray", "stray": "checks.stray",
    "driver_data": "export.driver", "write_drawings": "export.drawings",
    "Comparison": "comparison", "compare": "comparison",
    "Confirmation": "confirmation.results", "confirm": "confirmation.run",
    "ConfirmedFront": "confirmation.front", "confirm_front": "confirmation.front",
    "evaluate": "evaluation", "evaluate_batch": "evaluation", "load_study": "evaluation",
    "CutList": "export.cut_list", "Piece": "export.cut_list", "cut_list": "export.cut_list",
    "Layout": "layout", "build_layout": "layout",
    "LayoutFronts": "search.layouts", "compare_layouts": "search.layouts",
    "SearchResult": "search", "optimise": "search", "read_search": "search",
    "Study": "study", "starter_text": "study", "sweep": "variation",
    "tolerance": "scatter.run", "read_measured": "measurement.files",
    "Sorting": "measurement.sorting", "sort_magnets": "measurement.sorting",
    "AsBuilt": "measurement.as_built", "as_built": "measurement.as_built",
}  # fmt: skip

__all__ = [
    "ArrayoptError", "AsBuilt", "Assembly", "Check", "Comparison", "Confirmation", "ConfirmedFront",
    "CutList", "Layout", "LayoutFronts",
    "NothingFeasibleError", "Piece", "SearchResult", "Sorting", "Stray", "Strength", "Study",
    "StudyError",
    "as_built", "assembly", "build_layout", "cautions", "check_limits", "compare",
    "compare_layouts", "confirm",
    "confirm_front", "cut_list", "driver_data",
    "evaluate", "evaluate_batch", "load_study", "optimise", "read_measured", "read_search",
    "sort_magnets", "starter_text", "stray", "strength", "sweep", "tolerance", "write_drawings",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'arrayopt' has no attribute {name!r}")
    return getattr(import_module(f"arrayopt.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    return sorted(__all__)
