"""Fewer positions than users get, so that a confirmation takes seconds in tests."""

import pytest

from arrayopt.confirmation import front, plan, results, run

COARSE = 3.0  # scale of the mesh: torque within 0.1 % of a fine one, cogging within a fifth


def few_positions(patch: pytest.MonkeyPatch) -> None:
    """Cut every count of positions; each motor is still looked at over whole periods."""
    patch.setattr(plan, "NO_LOAD", 8)
    patch.setattr(plan, "A_TURN", 8)
    patch.setattr(front, "BESIDE", 1)
    for module in (run, front):
        patch.setattr(module, "loaded_count", lambda _: 5)
    for name, count in (("AT_PEAK", 7), ("IDEAL", 3), ("JUDGED", 2), ("LEVELS", 2)):
        patch.setattr(run, name, count)
    patch.setattr(results, "LEVELS", 2)
