"""Figures of iron and their limits."""

from arrayopt.checks.limits import (
    Check,
    cautions,
    check_limits,
    design_cautions,
)

__all__ = ["Check", "cautions", "check_limits", "design_cautions"]
