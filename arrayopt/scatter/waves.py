"""Which waves of the airgap's field a perfect ring has, and which of the others feed cogging."""

from __future__ import annotations

from arrayopt.study import Study


def feeding(study: Study) -> dict[int, int]:
    """Return which waves feed cogging at one and two waves a slot, with the fundamental."""
    if study.stator.kind != "slotted":
        return {}
    p, Q = study.rotor.pole_pairs, study.stator.slots
    return {
        wave: k * Q
        for k in (2, 1)
        for wave in (k * Q + p, abs(k * Q - p))
        if wave > 0 and not perfect_has(study, wave)
    }


def perfect_has(study: Study, wave: int) -> bool:
    """Tell whether a perfect ring has a wave: multiples of the pole pairs, odd if poles match."""
    p = study.rotor.pole_pairs
    if study.rotor.magnets_per_pole_pair % 2 == 0:
        return wave % (2 * p) == p
    return wave % p == 0
