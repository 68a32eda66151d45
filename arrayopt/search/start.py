"""Designs to begin a search with: the user's own, plain layouts, and flat arrays' best sizes."""

from __future__ import annotations

import itertools
from math import floor, pi
from typing import Any

import numpy as np

from arrayopt.search.space import Name, Params, Space, nearest
from arrayopt.study.models import relevant_magnets

# Thickness of an endless flat array over its wavelength at which torque per root of magnet
# mass is greatest: exp(u) = 1 + 2 u with u = 2 pi d / wavelength (derived); and thinner ones,
# which win where little mass is at hand.
_DEPTHS = (0.05, 0.1, 0.2)
_SHARES = (0.5, 0.65)  # of the pitch that main magnets take; the rest is the others'
_MOST = 60  # combinations of pole pairs and magnets per pole pair that are begun with


def starting_names(space: Space) -> list[Name]:
    """Return designs to begin with, the start design first.

    For every choice of pole pairs and magnets per pole pair: the start design with its
    widths scaled to the pole pitch, and magnets that fill the pitch at a few depths.
    """
    study = space.study
    pairs = _counts(space, "rotor.pole_pairs") or [study.rotor.pole_pairs]
    magnets = _counts(space, "rotor.magnets_per_pole_pair") or [study.rotor.magnets_per_pole_pair]
    both = list(itertools.product(pairs, magnets))
    both = both[:: -(-len(both) // _MOST)]
    points = [dict(space.start)]
    for p, M in both:
        scale = study.rotor.pole_pairs / p
        sizes = {
            key: value * scale
            for key, value in _sizes(space).items()
            if key.endswith(("width_mm", "span_deg"))
        }
        points.append(_point(space, p, M, sizes))
    for (p, M), depth, share in itertools.product(both, _DEPTHS, _SHARES):
        points.append(_point(space, p, M, _filled(space, p, M, depth=depth, share=share)))
    names = [space.name(space.genes(point)) for point in points]
    return list(dict.fromkeys(names))


def _filled(space: Space, p: int, M: int, *, depth: float, share: float) -> dict[str, float]:
    """Sizes of magnets that fill the pitch but for walls, as deep as asked [wavelengths]."""
    study = space.study
    rotor, radius = study.rotor, study.stator.surface_diameter_mm / 2
    thickness = depth * 2 * pi * radius / p
    outer = rotor.outer
    near = radius + study.airgap.length_mm if outer else radius - study.airgap.length_mm - thickness
    wavelength = 2 * pi * max(near, 1e-3) / p
    walls = M * (rotor.wall_mm + 2 * rotor.clearance_mm)
    room = max(wavelength - walls, 0.0)
    others = relevant_magnets(M)[1:]
    sizes = {}
    for table in relevant_magnets(M):
        # Two main magnets a pole pair; all others share what is left.
        part = share if others else 1.0
        each = room * part / 2 if table == "main" else room * (1 - part) / max(M - 2, 1)
        sizes[f"rotor.{table}.width_mm"] = each
        sizes[f"rotor.{table}.span_deg"] = np.degrees(each / max(near, 1e-3))
        sizes[f"rotor.{table}.thickness_mm"] = thickness
    return sizes


def _point(space: Space, p: int, M: int, sizes: dict[str, float]) -> Params:
    """Return the start design with poles and sizes set to the nearest allowed ones."""
    wanted: dict[str, Any] = {
        "rotor.pole_pairs": p, "rotor.magnets_per_pole_pair": M, **sizes,
    }  # fmt: skip
    point: Params = {}
    for axis, distribution in space.distributions.items():
        if axis in space.settings:
            point[axis] = space.choice_near(
                axis,
                wide=sizes.get(f"{axis}.width_mm", sizes.get(f"{axis}.span_deg")),
                thickness_mm=sizes.get(f"{axis}.thickness_mm"),
            )
        elif axis in wanted:
            value = wanted[axis]
            # Rounded down, so that what fits goes on to fit.
            value = floor(value * 100) / 100 if isinstance(value, float) else value
            point[axis] = nearest(distribution, value)
    return point


def _sizes(space: Space) -> dict[str, float]:
    """Return the start's sizes by key, choices of the shop list written out."""
    return {
        key: float(value)
        for key, value in space.values(space.whole_start).items()
        if isinstance(value, int | float) and key.startswith("rotor.")
    }


def _counts(space: Space, key: str) -> list[int]:
    axes = list(space.distributions)
    return [int(v) for v in space.allowed[axes.index(key)] or ()] if key in axes else []
