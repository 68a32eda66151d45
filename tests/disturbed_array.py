"""Rotors with every magnet a little off, as magpylib objects: the direct route for tolerances.

The same draws that `arrayopt.scatter` makes its matrix rows from move, turn, grow and weaken
magnets here one by one, and the field is sampled all round. Nothing is linear.
"""

from __future__ import annotations

import magpylib as magpy
import numpy as np
from whole_array import whole_array

from arrayopt.field.members import DEVIATIONS
from arrayopt.study import Study


def disturbed_array(
    study: Study, J: dict[str, float], off: dict[str, np.ndarray]
) -> magpy.Collection:
    """Return the magnets of a rotor with deviations.

    Parameters
    ----------
    study : Study
        Of blocks.
    J : dict
        Polarisation by ``main``, ``transverse``, ``oblique`` [T].
    off : dict
        By name, shape (magnet,): ``along`` and ``across`` [1], ``radial`` and ``tangential``
        [m], ``turn`` [rad], ``thickness``, ``width``, ``length`` [m].

    """
    perfect = whole_array(study)
    M, p = study.rotor.magnets_per_pole_pair, study.rotor.pole_pairs
    nothing = np.zeros(p * M)
    magnets = []
    for k, magnet in enumerate(perfect):
        d = {name: off.get(name, nothing)[k] for name in DEVIATIONS}
        size = np.add(magnet.dimension, [d["thickness"], d["width"], d["length"]])
        angle = 2 * np.pi * k / (p * M)
        own = np.array(magnet.polarization) / np.linalg.norm(magnet.polarization)
        name = ("main", "oblique", "transverse")[int(np.rint(2 * abs(own[1])))]
        square = np.array([-own[1], own[0], 0])
        new = magpy.magnet.Cuboid(
            polarization=J[name] * ((1 + d["along"]) * own + d["across"] * square), dimension=size
        )
        radius = np.linalg.norm(magnet.position) + d["radial"]
        new.rotate_from_angax(d["turn"], "z", degrees=False)
        new.position = (radius, d["tangential"], 0)
        new.rotate_from_angax(angle, "z", anchor=0, degrees=False)
        magnets.append(new)
    return magpy.Collection(*magnets)


def stack_mean_waves(
    magnets: magpy.Collection, *, radius: float, stack: float, waves: int, samples: int,
    planes: int, mean: bool = False,
) -> np.ndarray:  # fmt: skip
    """Complex waves of the radial flux density on a cylinder, mean over the stack, from 1 [T].

    With ``mean`` the mean round the circle comes first.
    """
    theta = np.arange(samples) / samples * 2 * np.pi
    u, w = np.polynomial.legendre.leggauss(planes)
    z = stack / 2 * (u + 1) / 2
    points = np.stack(
        [
            np.repeat(radius * np.cos(theta), planes),
            np.repeat(radius * np.sin(theta), planes),
            np.tile(z, len(theta)),
        ],
        axis=1,
    )
    B = magnets.getB(points).reshape(samples, planes, 3)
    radial = (B[..., 0] * np.cos(theta)[:, None] + B[..., 1] * np.sin(theta)[:, None]) @ (w / 2)
    found = np.fft.rfft(radial)[: waves + 1] * 2 / samples
    found[0] /= 2
    return found if mean else found[1:]
