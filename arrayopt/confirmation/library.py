"""Finite elements, mesher and geometry, by ngsolve: the extra ``fe``."""

from __future__ import annotations

from typing import Any

from arrayopt.confirmation.extra import INSTALL
from arrayopt.errors import ArrayoptError

NEEDED = f"confirm needs finite elements: install the extra fe, {INSTALL}"


class _Missing:
    """What stands for a library that is not installed, so that the rest can be imported."""

    def __getattr__(self, name: str) -> Any:
        raise ArrayoptError(NEEDED)


try:
    import ngsolve as ngs
    from netgen import meshing, occ
except ModuleNotFoundError:
    ngs = meshing = occ = _Missing()
else:
    # Fields of many positions are shared out over processes instead.
    ngs.SetNumThreads(1)
    ngs.ngsglobals.msg_level = 0

__all__ = ["NEEDED", "meshing", "ngs", "occ", "require"]


def require() -> None:
    """Raise ArrayoptError if the extra is not installed: before anything is computed."""
    if isinstance(ngs, _Missing):
        raise ArrayoptError(NEEDED)
