"""Figures of iron and their limits."""

from arrayopt.checks.limits import Check, cautions, checks

__all__ = ["Check", "cautions", "checks"]
