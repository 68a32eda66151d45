"""The airgap field of a rotor whose axis lies beside the stator's, in two dimensions.

Another route than moving every magnet: only the perfect ring's field is needed.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from arrayopt.field.kernel import AirgapField
from arrayopt.quantities import Array


def neighbour_waves(field: AirgapField, n: NDArray[np.int64]) -> tuple[Array, Array]:
    """Return how strongly each wave at an off-centre stator feeds the next and the last one.

    The stator moved by d, a complex number in the rotor's frame, adds to the wave n + 1 ``up[n]
    conj(d) B_n`` and to the wave n - 1 ``down[n] d B_n``, in angles about its own axis; shapes
    (wave,) [1/m]. Two-dimensional; without a ring one of the two is zero, for the field of
    far magnets does not know where the stator's axis is.

    The stator's surface moved among the field B lies at the potential ``d B/mu0``; what
    that adds grows by coth(n ln(Y/R)) under a ring at Y, and the angles and the field itself
    change with the surface (derived, as `magnetic_pull`).
    """
    layout, irons = field.layout, field.irons
    R, iron = irons.stator[0], irons.stator_iron[0]
    low, high = np.maximum(n - 1, 0), n + 1

    def grown(order: Array) -> Array:
        """Return what the iron's surface adds, over what the field does by itself."""
        C = np.ones(len(order))
        if irons.ring_iron[0]:
            q = np.exp(-2 * np.maximum(order, 1) * abs(np.log(irons.ring[0] / R)))
            C = (1 + q) / (1 - q)
        return C

    if not iron:
        # No surface: the field is read along another circle. Its potential is that of far magnets.
        up, down = (
            (np.zeros(len(n)), 2.0 * low) if layout.outer else (-2.0 * high, np.zeros(len(n)))
        )
    elif layout.outer:
        up, down = high * (grown(high) - 1), low * (grown(low) + 1)
    else:
        up, down = -high * (grown(high) + 1), low * (1 - grown(low))
    return np.asarray(up / (2 * R)), np.asarray(down / (2 * R))
