"""What the airgap harmonics say: waveform, distortion, share of the ideal ring."""

from __future__ import annotations

import numpy as np

from arrayopt.field import AirgapField, ideal_ring, planar_fundamental
from arrayopt.quantities import Array


def waveform(amplitudes: Array, orders: Array, angles: Array) -> Array:
    """Sum a cosine series.

    Parameters
    ----------
    amplitudes : ndarray, shape (order, design)
    orders : ndarray of int, shape (order,)
    angles : ndarray, shape (angle,)
        Electrical angles from a main magnet's axis [rad].

    Returns
    -------
    ndarray, shape (angle, design)

    """
    return np.asarray(np.cos(np.outer(angles, orders)) @ amplitudes)


def harmonic_distortion(amplitudes: Array, orders: Array) -> Array:
    """Root of the summed squares of all higher orders over the fundamental, shape (design,).

    Examples
    --------
    >>> import numpy as np
    >>> harmonic_distortion(np.array([[1.0], [0.3], [0.4]]), np.array([1, 3, 5]))
    array([0.5])
    """
    return np.asarray(np.sqrt((amplitudes[orders > 1] ** 2).sum(axis=0)) / np.abs(amplitudes[0]))


def ideal_share(field: AirgapField) -> Array:
    """How much of the ideal ring's fundamental the segments reach, shape (design,).

    Both without ends and iron; the ideal ring fills the annulus from the nearest to
    the farthest magnet point with polarisation of the main magnets' remanence that
    turns continuously.
    """
    layout = field.layout
    remanence = np.array(
        [
            grade.remanence_at(study.rotor.magnet_temperature_c)
            for grade, study in zip(layout.grades[0], layout.studies, strict=True)
        ]
    )
    near = layout.inner_radius if layout.outer else layout.outer_radius
    ideal = remanence * ideal_ring(
        pole_pairs=layout.pole_pairs,
        inner=layout.inner_radius,
        outer=layout.outer_radius,
        radius=near,
        outside=not layout.outer,
    )
    segments = (planar_fundamental(layout, radius=near) * field.polarisation).sum(axis=0)
    return np.asarray(segments / ideal)


def end_share(field: AirgapField) -> Array:
    """Stack-mean free fundamental over that of endless magnets, shape (design,)."""
    endless = planar_fundamental(field.layout, radius=field.irons.stator) * field.polarisation
    return np.asarray(field.free[0] / endless.sum(axis=0))
