"""The obvious, slow route: every magnet a magpylib object, the field sampled all round.

Built from study values by its own geometry, it shares nothing with arrayopt's layout and
field code, and so serves as an independent check of both.
"""

from __future__ import annotations

import magpylib as magpy
import numpy as np

from arrayopt.materials import magnet_grade
from arrayopt.study import Study


def whole_array(study: Study) -> magpy.Collection:
    """Return all magnets of a rotor as magpylib objects (blocks or arcs, one shape a rotor)."""
    rotor, M, p = study.rotor, study.rotor.magnets_per_pole_pair, study.rotor.pole_pairs
    outer = rotor.position == "outer"
    gap, length = study.airgap.length_mm * 1e-3, study.rotor_length_mm * 1e-3
    surface = study.stator.surface_diameter_mm * 0.5e-3
    remanence = magnet_grade(rotor.grade).remanence
    magnets = []
    for k in range(p * M):
        angle = 2 * np.pi * k / (p * M)
        direction = (1 + p) * angle if outer else (1 - p) * angle
        off = round(np.degrees(direction - angle)) % 180
        table = rotor.main if off == 0 else rotor.transverse if off == 90 else rotor.oblique
        thickness = table.thickness_mm * 1e-3
        J = remanence * np.array([np.cos(direction), np.sin(direction), 0.0])
        if table.shape == "arc":
            near = surface + gap if outer else surface - gap - thickness
            half = table.span_deg / 2
            start = np.degrees(angle)
            dimension = (near, near + thickness, length, start - half, start + half)
            magnets.append(magpy.magnet.CylinderSegment(polarization=J, dimension=dimension))
            continue
        width = table.width_mm * 1e-3
        if outer:
            centre = surface + gap + thickness / 2
        else:  # corners are the nearest points to the stator
            centre = np.sqrt((surface - gap) ** 2 - width**2 / 4) - thickness / 2
        magnet = magpy.magnet.Cuboid(
            polarization=np.array([np.cos(direction - angle), np.sin(direction - angle), 0])
            * remanence,
            dimension=(thickness, width, length),
            position=(centre, 0, 0),
        )
        magnet.rotate_from_angax(angle, "z", anchor=0, degrees=False)
        magnets.append(magnet)
    return magpy.Collection(*magnets)


def stack_mean_fundamental(
    study: Study, *, samples_per_pole_pair: int, planes: int, pole_pairs: int | None = None
) -> float:
    """Fundamental of the free radial flux density at the stator surface, stack mean [T].

    Parameters
    ----------
    samples_per_pole_pair : int
        Even angles in a pole pair.
    planes : int
        Gauss planes over half the stack, by symmetry.
    pole_pairs : int, optional
        How many pole pairs are sampled; the ring repeats, so one says all.

    """
    p = study.rotor.pole_pairs
    turns = p if pole_pairs is None else pole_pairs
    theta = np.arange(samples_per_pole_pair * turns) / samples_per_pole_pair * 2 * np.pi / p
    u, w = np.polynomial.legendre.leggauss(planes)
    z = study.stator.stack_mm * 0.5e-3 * (u + 1) / 2
    r = study.stator.surface_diameter_mm * 0.5e-3
    points = np.stack(
        [
            np.repeat(r * np.cos(theta), planes),
            np.repeat(r * np.sin(theta), planes),
            np.tile(z, len(theta)),
        ],
        axis=1,
    )
    B = whole_array(study).getB(points).reshape(len(theta), planes, 3) @ np.eye(3)
    radial = B[..., 0] * np.cos(theta)[:, None] + B[..., 1] * np.sin(theta)[:, None]
    return float(2 * np.mean(radial @ (w / 2) * np.cos(p * theta)))
