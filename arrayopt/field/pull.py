"""Magnetic pull between a rotor and a stator whose axes lie apart."""

from __future__ import annotations

import numpy as np

from arrayopt.field.kernel import AirgapField
from arrayopt.quantities import MU0


def magnetic_pull(field: AirgapField) -> tuple[float, float]:
    """Pull on an off-centre rotor per metre [N/m], in its worst direction, and centred [N].

    Linear in the eccentricity, every harmonic, over the length that magnets and stack share;
    zero without stator iron. Irons are smooth and infinitely permeable, magnets are taken as
    air once their field is known.

    The stator's surface moved by e among the field Br of the centred motor leaves it at the
    potential ``Br e cos(angle)/mu0``. That adds harmonics next to each one of Br, whose field
    grows by ``C_v = coth(v ln(Y/R))`` where a ring's surface Y bounds it, and Maxwell's stress
    on Br and what is added gives the pull. One harmonic n of Br without a ring pulls
    ``pi (n - 1) Br^2/(2 mu0)`` per length on an outer rotor and n + 1 on an inner one (derived).

    Parameters
    ----------
    field : AirgapField
        Of one design.

    References
    ----------
    Derived; an array of free field B0 on an outer rotor: ``2 pi (p - 1) B0^2 e/mu0``.

    """
    layout, irons = field.layout, field.irons
    if not irons.stator_iron[0]:
        return 0.0, 0.0
    n, R = field.turns[:, 0], float(irons.stator[0])
    length = float(field.overlap[0] * layout.stack[0])
    B = np.zeros(int(n.max()) + 3)
    # Flux carries over to the surface that Carter's coefficient moves.
    B[n] = field.surface[:, 0] * layout.surface_radius[0] / R / field.overlap[0]
    order = np.arange(1, len(B) - 1)
    low, high = B[order - 1], B[order + 1]
    strong, weak = (high, low) if layout.outer else (low, high)
    C = np.ones(len(order))
    if irons.ring_iron[0]:
        q = np.exp(-2 * order * abs(np.log(irons.ring[0] / R)))
        C = (1 + q) / (1 - q)
    # Along the axis of a main magnet and square to it; the same but for one or two pole pairs.
    ways = [
        np.sum(order * (strong + s * weak) * ((C + 1) * strong + s * (C - 1) * weak))
        for s in (1, -1)
    ]
    centred = np.pi * R / (2 * MU0) * abs(float(np.sum(B[:-1] * B[1:])))
    return np.pi / (4 * MU0) * float(max(ways)) * length, centred * length
