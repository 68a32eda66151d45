"""Three-phase windings by the star of slots, of one or two layers."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import gcd, pi, radians

import numpy as np

from arrayopt.quantities import Array
from arrayopt.study.coils import sides_beside, usual_span
from arrayopt.study.models import Study

FAIR_FACTOR = 0.8  # winding factors below waste copper (common practice, no source)
LEAST_SKEW = 0.5  # share of the fundamental; rows turned further are a mistake
_BELTS = "A", "c", "B", "a", "C", "b"  # 60 degrees each; small letters run backwards
_NO_COIL = "-"


@dataclass(frozen=True)
class Winding:
    """A balanced winding: a coil starts in every slot (two layers) or every second (one).

    Attributes
    ----------
    slots, pole_pairs, coil_span : int
        Span in slots.
    pattern : str
        Phase of the coil that starts in each slot; a small letter is wound backwards,
        a dash is no coil.

    """

    slots: int
    pole_pairs: int
    coil_span: int
    pattern: str

    @property
    def layers(self) -> int:
        """Coil sides in each slot."""
        return 1 if _NO_COIL in self.pattern else 2

    @property
    def beside(self) -> bool:
        """Whether two coil sides share a slot or sector side by side."""
        return sides_beside(layers=self.layers, coil_span=self.coil_span)

    @property
    def coils(self) -> int:
        """Coils of one phase."""
        return self.slots * self.layers // 6

    @property
    def most_paths(self) -> int:
        """Equal parallel paths that a phase can be split into.

        The coils of one star repeat gcd(coils, p) times round the stator; where the star
        has an even number of phasors each also has one that is wound the other way
        round (from memory).
        """
        n = 3 * self.coils
        repeats = gcd(n, self.pole_pairs)
        return repeats * (2 if n // repeats % 2 == 0 else 1)

    @property
    def period(self) -> int:
        """Slots after which winding and poles are the same."""
        slots = self.slots // gcd(self.slots, self.pole_pairs)
        # One layer begins a coil in every second slot only.
        return slots * 2 if self.layers == 1 and slots % 2 else slots

    def coil_signs(self, phase: str) -> Array:
        """Return 1, -1 or 0 for the coil of a phase (A, B, C) that starts in each slot."""
        return np.array([(c == phase) - (c == phase.lower()) for c in self.pattern], dtype=float)

    def side_counts(self, phase: str) -> Array:
        """Net coil sides of a phase in each slot, shape (slot,): 1 up, -1 down."""
        starts = self.coil_signs(phase)
        return np.asarray(starts - np.roll(starts, self.coil_span))

    def spread_factors(self, orders: Array) -> Array:
        """How well the coils of a phase add up, per harmonic order and signed, shape (order,).

        The sign is that of each order's linkage where the fundamental's is at its peak.
        """
        angle = 2 * pi * self.pole_pairs / self.slots * np.arange(self.slots)
        sums = np.exp(1j * np.outer(orders, angle)) @ self.coil_signs("A") / self.coils
        axis = np.angle(np.exp(1j * angle) @ self.coil_signs("A"))
        return np.real(sums * np.exp(-1j * np.asarray(orders) * axis))

    def pitch_factors(self, orders: Array, *, coil_angle: float | None = None) -> Array:
        """Share of the flux that a coil embraces, signed; `coil_angle` [rad mechanical].

        Signs are against the fundamental's, as in `spread_factors`.
        """
        angle = 2 * pi * self.coil_span / self.slots if coil_angle is None else coil_angle
        half = self.pole_pairs * angle / 2
        orders = np.asarray(orders)
        return np.asarray(np.sin(orders * half) * np.sign(np.sin(half)) ** orders)

    def factors(self, orders: Array) -> Array:
        """Winding factors of harmonic orders, signed, shape (order,).

        References
        ----------
        Star of slots: Cros & Viarouge 2002, IEEE Trans. Energy Convers. 17:248;
        Bianchi et al. 2006 (from memory).

        Examples
        --------
        >>> round(float(star_of_slots(slots=12, pole_pairs=5).factors(np.array([1]))[0]), 3)
        0.933
        """
        return np.asarray(self.spread_factors(orders) * self.pitch_factors(orders))


@cache
def star_of_slots(
    *, slots: int, pole_pairs: int, coil_span: int | None = None, layers: int = 2
) -> Winding:
    """Return the winding of a slot and pole-pair count.

    Parameters
    ----------
    slots, pole_pairs : int
    coil_span : int, optional
        Slots that a coil spans; left out, `usual_span`.
    layers : int
        Coil sides in a slot; with 1 a coil starts in every second slot and spans an odd
        number of slots.

    Raises
    ------
    ValueError
        If the three phases cannot be balanced, or one layer cannot be filled.

    """
    span = coil_span or usual_span(slots=slots, pole_pairs=pole_pairs, layers=layers)
    if not is_balanced(slots=slots, pole_pairs=pole_pairs, layers=layers):
        raise ValueError(
            f"{slots} slots cannot carry a balanced three-phase winding of {layers} layers "
            f"for {pole_pairs} pole pairs"
        )
    if layers == 1 and span % 2 == 0:
        raise ValueError(f"coils of one layer span an odd number of slots; got {span}")
    # Whole-number arithmetic keeps phasors on a belt's edge in one belt (half-open belts).
    belts = [6 * (k * pole_pairs % slots) // slots for k in range(slots)]
    pattern = [_BELTS[b] if layers == 2 or k % 2 == 0 else _NO_COIL for k, b in enumerate(belts)]
    return Winding(slots, pole_pairs, span, "".join(pattern))


def is_balanced(*, slots: int, pole_pairs: int, layers: int = 2) -> bool:
    """Tell whether three equal phases 120 degrees apart exist.

    n/(3 gcd(n, p)) must be whole, with n the coils of all phases: one a slot in two
    layers, one every second slot in one layer.
    """
    coils = slots if layers == 2 else slots // 2
    whole = layers == 2 or slots % 2 == 0
    return whole and coils % (3 * gcd(coils, pole_pairs)) == 0


def winding_of(study: Study) -> Winding:
    """Return the winding of a study."""
    return star_of_slots(
        slots=study.stator.slots,
        pole_pairs=study.rotor.pole_pairs,
        coil_span=study.winding.coil_span_slots,
        layers=study.winding.layers,
    )


def rows_factor(rows: Array, half: Array) -> Array:
    """Return what is left of a wave over rows that each turn by twice an angle `half` of it.

    ``sin(s a)/(s sin a)`` (handbook formula of distribution, from memory).
    """
    # Rows turned by whole waves add up fully: the ratio's limit, not 0/0.
    whole = np.abs(np.sin(half)) < 1e-9
    safe = np.where(whole, 1.0, np.sin(half))
    limit = np.cos(rows * half) * np.cos(half)
    return np.asarray(np.where(whole, limit, np.sin(rows * half) / (rows * safe)))


def winding_faults(study: Study) -> list[str]:
    """Return a line if the winding is unbalanced, cannot be split or embraces no flux."""
    Q, p, layers = study.stator.slots, study.rotor.pole_pairs, study.winding.layers
    if not is_balanced(slots=Q, pole_pairs=p, layers=layers):
        return [_unbalanced(Q, p, layers)]
    span = study.winding.coil_span_slots
    if layers == 1 and span is not None and span % 2 == 0:
        return [
            f"winding.coil_span_slots must be odd with one layer; got {span}; "
            f"use {span - 1} or {span + 1}"
        ]
    winding = winding_of(study)
    faults = []
    if winding.most_paths % study.winding.parallel_paths:
        possible = [n for n in range(1, winding.most_paths + 1) if winding.most_paths % n == 0]
        faults.append(
            f"winding.parallel_paths: {winding.coils} coils a phase split into equal paths in "
            f"{_listed(possible)}; got {study.winding.parallel_paths}; use one of these"
        )
    rotor = study.rotor
    half = p * radians(rotor.skew_step_deg) / 2
    kept = abs(float(rows_factor(np.array(rotor.skew_steps), np.array(half))))
    if kept < LEAST_SKEW:
        faults.append(
            f"rotor.skew_step_deg: rows turned by so much leave {kept:.3f} of the flux; "
            f"got {rotor.skew_step_deg:g}; a slot pitch is {360 / Q:.3g} deg, make it smaller"
        )
    factor = abs(float(winding.factors(np.array([1]))[0]))
    if factor < 0.05:
        usual = usual_span(slots=Q, pole_pairs=p, layers=layers)
        faults.append(
            f"winding.coil_span_slots: coils of {winding.coil_span} slots embrace no "
            f"flux of {p} pole pairs in {Q} slots (winding factor {factor:.3f}); use {usual}"
        )
    return faults


def _unbalanced(Q: int, p: int, layers: int) -> str:
    """Say that a winding is unbalanced and what would be balanced."""
    pairs = sorted(range(1, 121), key=lambda n: (abs(n - p), n))
    near = sorted([n for n in pairs if _works_well(Q, n, layers)][:3])
    counts = sorted(range(3, 721, 3), key=lambda n: (abs(n - Q), n))
    slots = sorted([n for n in counts if _works_well(n, p, layers)][:3])
    offers = [f"stator.slots = {_listed(slots)}"]
    if near:
        offers.append(f"rotor.pole_pairs = {_listed(near)}")
    if layers == 1 and is_balanced(slots=Q, pole_pairs=p):
        offers.append("winding.layers = 2")
    one = " in one layer" if layers == 1 else ""
    return (
        f"stator.slots: {Q} slots and {p} pole pairs give no balanced three-phase winding{one}; "
        f"nearest balanced ones: {' or '.join(offers)}"
    )


def _works_well(slots: int, pole_pairs: int, layers: int) -> bool:
    """Balanced, and most of the copper counts."""
    if not is_balanced(slots=slots, pole_pairs=pole_pairs, layers=layers):
        return False
    winding = star_of_slots(slots=slots, pole_pairs=pole_pairs, layers=layers)
    return abs(float(winding.factors(np.array([1]))[0])) >= FAIR_FACTOR


def _listed(numbers: list[int]) -> str:
    return ", ".join(map(str, numbers))
