"""Three-phase windings by the star of slots."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import gcd, pi

import numpy as np

from arrayopt.layout.shapes import Array
from arrayopt.study.models import Study

FAIR_FACTOR = 0.8  # winding factors below waste copper (common practice, no source)
_BELTS = "A", "c", "B", "a", "C", "b"  # 60 degrees each; small letters run backwards


@dataclass(frozen=True)
class Winding:
    """A balanced double-layer winding: one coil starts in every slot.

    Attributes
    ----------
    slots, pole_pairs, coil_span : int
        Span in slots.
    pattern : str
        Phase of the coil that starts in each slot; a small letter is wound backwards.

    """

    slots: int
    pole_pairs: int
    coil_span: int
    pattern: str

    def spread_factors(self, orders: Array) -> Array:
        """How well the coils of a phase add up, per harmonic order, shape (order,)."""
        sign = np.array([(c == "A") - (c == "a") for c in self.pattern], dtype=float)
        angle = 2 * pi * self.pole_pairs / self.slots * np.arange(self.slots)
        phasors = np.exp(1j * np.outer(orders, angle)) @ sign
        return np.asarray(np.abs(phasors) * 3 / self.slots)

    def pitch_factors(self, orders: Array, *, coil_angle: float | None = None) -> Array:
        """Share of the flux that a coil embraces, per order; `coil_angle` [rad mechanical]."""
        angle = 2 * pi * self.coil_span / self.slots if coil_angle is None else coil_angle
        return np.abs(np.sin(np.asarray(orders) * self.pole_pairs * angle / 2))

    def factors(self, orders: Array) -> Array:
        """Winding factors of harmonic orders, shape (order,).

        References
        ----------
        Star of slots: Cros & Viarouge 2002, IEEE Trans. Energy Convers. 17:248;
        Bianchi et al. 2006 (from memory).

        Examples
        --------
        >>> round(float(star_of_slots(slots=12, pole_pairs=5).factors(np.array([1]))[0]), 3)
        0.933
        """
        return self.spread_factors(orders) * self.pitch_factors(orders)


@cache
def star_of_slots(*, slots: int, pole_pairs: int, coil_span: int | None = None) -> Winding:
    """Return the winding of a slot and pole-pair count.

    Parameters
    ----------
    slots, pole_pairs : int
    coil_span : int, optional
        Slots that a coil spans; left out, `usual_span`.

    Raises
    ------
    ValueError
        If the three phases cannot be balanced.

    """
    if not is_balanced(slots=slots, pole_pairs=pole_pairs):
        raise ValueError(
            f"{slots} slots cannot carry a balanced three-phase winding for {pole_pairs} pole pairs"
        )
    span = coil_span or usual_span(slots=slots, pole_pairs=pole_pairs)
    # Whole-number arithmetic keeps phasors on a belt's edge in one belt (half-open belts).
    belts = [6 * (k * pole_pairs % slots) // slots for k in range(slots)]
    return Winding(slots, pole_pairs, span, "".join(_BELTS[b] for b in belts))


def usual_span(*, slots: int, pole_pairs: int) -> int:
    """Return the whole number of slots nearest to a pole, at least one, the smaller of two.

    Half-way between, a coil round one tooth has the same winding factor and shorter ends.

    Examples
    --------
    >>> usual_span(slots=12, pole_pairs=4), usual_span(slots=36, pole_pairs=3)
    (1, 6)
    """
    return max(1, -((pole_pairs - slots) // (2 * pole_pairs)))


def is_balanced(*, slots: int, pole_pairs: int) -> bool:
    """Tell whether three equal phases 120 degrees apart exist: Q/(3 gcd(Q, p)) is whole."""
    return slots % (3 * gcd(slots, pole_pairs)) == 0


def winding_of(study: Study) -> Winding:
    """Return the winding of a study."""
    return star_of_slots(
        slots=study.stator.slots,
        pole_pairs=study.rotor.pole_pairs,
        coil_span=study.winding.coil_span_slots,
    )


def winding_faults(study: Study) -> list[str]:
    """Return a line if the winding is unbalanced or its coils embrace no flux."""
    Q, p = study.stator.slots, study.rotor.pole_pairs
    if not is_balanced(slots=Q, pole_pairs=p):
        pairs = sorted(range(1, 121), key=lambda n: (abs(n - p), n))
        near = sorted([n for n in pairs if _works_well(Q, n)][:3])
        counts = sorted(range(3, 721, 3), key=lambda n: (abs(n - Q), n))
        slots = sorted([n for n in counts if _works_well(n, p)][:3])
        offers = [f"stator.slots = {_listed(slots)}"]
        if near:
            offers.append(f"rotor.pole_pairs = {_listed(near)}")
        return [
            f"stator.slots: {Q} slots and {p} pole pairs give no balanced three-phase winding; "
            f"nearest balanced ones: {' or '.join(offers)}"
        ]
    factor = float(winding_of(study).factors(np.array([1]))[0])
    if factor < 0.05:
        return [
            f"winding.coil_span_slots: coils of {winding_of(study).coil_span} slots embrace no "
            f"flux of {p} pole pairs in {Q} slots (winding factor {factor:.3f}); "
            f"use {usual_span(slots=Q, pole_pairs=p)}"
        ]
    return []


def _works_well(slots: int, pole_pairs: int) -> bool:
    """Balanced, and most of the copper counts."""
    if not is_balanced(slots=slots, pole_pairs=pole_pairs):
        return False
    winding = star_of_slots(slots=slots, pole_pairs=pole_pairs)
    return float(winding.factors(np.array([1]))[0]) >= FAIR_FACTOR


def _listed(numbers: list[int]) -> str:
    return ", ".join(map(str, numbers))
