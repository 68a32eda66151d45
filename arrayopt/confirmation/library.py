"""Finite elements, mesher and geometry, by ngsolve: the extra ``fe``."""

from arrayopt.errors import ArrayoptError

try:
    import ngsolve as ngs
    from netgen import meshing, occ
except ModuleNotFoundError:
    raise ArrayoptError(
        "confirm needs finite elements: install the extra fe, pip install 'arrayopt[fe]'"
    ) from None

# Fields of many positions are shared out over processes instead.
ngs.SetNumThreads(1)
ngs.ngsglobals.msg_level = 0

__all__ = ["meshing", "ngs", "occ"]
