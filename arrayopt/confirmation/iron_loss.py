"""Loss in the sheets from the flux density waveform of every triangle."""

from __future__ import annotations

from math import pi

import numpy as np

from arrayopt.confirmation.plan import periods
from arrayopt.confirmation.sheet import Sheet
from arrayopt.quantities import Array
from arrayopt.study import Study

PARTS = ("tooth", "tip", "yoke")


def loss_by_part(
    study: Study, field: Array, sheet: Sheet, *, speed: float, length: float
) -> dict[str, float]:
    """No-load loss of teeth, tips and yoke [W].

    Hysteresis by frequency and the squares of both components' peaks, eddy loss by the
    squares of all harmonics, radial and tangential: ``k_h f (B_r^2 + B_t^2) + k_e sum (n f
    B_n)^2`` by the sheet's figure (`Steel.loss_coefficients`).

    Parameters
    ----------
    study : Study
    field : ndarray, shape (position, copy, triangle, 2)
        Over one cogging period; radial and tangential in each half slot's own tooth [T].
    sheet : Sheet
    speed : float
        Mechanical [rad/s].
    length : float
        [m].

    """
    if not field.size:
        return dict.fromkeys(PARTS, 0.0)
    waves = over_phase(study, field) / study.stator.stacking_factor
    frequency = speed * study.rotor.pole_pairs / (2 * pi)
    steel = study.steel(study.stator.sheet)
    hysteresis, eddy = steel.loss_coefficients()
    spectrum = 2 * np.abs(np.fft.rfft(waves, axis=0)) / len(waves)
    order = np.arange(len(spectrum))[:, None, None]
    peaks = (np.abs(waves).max(axis=0) ** 2).sum(axis=-1)
    squares = ((order * spectrum) ** 2).sum(axis=(0, 2))
    density = hysteresis * frequency * peaks + eddy * frequency**2 * squares
    # Every half slot of the motor has the same loss.
    mass = 2 * study.stator.slots * sheet.part_area * length
    mass *= study.stator.stacking_factor * steel.density
    part = np.array(sheet.parts)
    return {name: float((mass * density)[part == name].sum()) for name in PARTS}


def over_phase(study: Study, field: Array) -> Array:
    """Waveform of every triangle of one half slot over an electrical turn.

    Every tooth sees the same, one after the other: positions of one cogging period and the
    teeth of the sector together give all of the turn.

    Returns
    -------
    ndarray, shape (phase, triangle, 2)

    """
    p, Q = study.rotor.pole_pairs, study.stator.slots
    found = periods(study)
    # Half slots that are not mirrored.
    own = field[:, 0::2]
    positions, teeth = own.shape[:2]
    turn = np.arange(positions)[:, None] * found.cogging / positions
    phase = p * (turn - 2 * pi / Q * np.arange(teeth))
    values = own.reshape(positions * teeth, *own.shape[2:])
    phases = phase.ravel() % (2 * pi)
    if study.rotor.magnets_per_pole_pair % 2 == 0:
        # Half a turn later the field is the opposite.
        values = np.concatenate([values, -values])
        phases = np.concatenate([phases, (phases + pi) % (2 * pi)])
    count = round(2 * pi / p / found.cogging) * positions
    place = np.round(phases / (2 * pi) * count).astype(int) % count
    _, first = np.unique(place, return_index=True)
    return np.asarray(values[first])
