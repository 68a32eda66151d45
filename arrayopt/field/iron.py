"""Iron round the magnets: reflection of multipoles, and slots by Carter's coefficient."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from arrayopt.quantities import Array


def carter_coefficient(*, slot_pitch: Array, slot_opening: Array, gap: Array) -> Array:
    """Return by how much slots lengthen the airgap, k_c >= 1.

    Parameters
    ----------
    slot_pitch, slot_opening : ndarray
        At the stator surface [m].
    gap : ndarray
        Airgap plus magnet depth over recoil permeability [m].

    References
    ----------
    Carter's conformal mapping in its closed form for one side slotted: ``k_c = t/(t -
    gamma g)``, ``gamma = (4/pi) [u atan u - ln sqrt(1 + u^2)]``, ``u = b/(2 g)``.
    Neville 1967, Proc. IEE 114: holds unless teeth are narrower than the gap.

    Examples
    --------
    >>> round(float(carter_coefficient(slot_pitch=10e-3, slot_opening=3e-3, gap=1e-3)), 4)
    1.127
    """
    u = np.asarray(slot_opening) / (2 * np.asarray(gap))
    gamma = 4 / np.pi * (u * np.arctan(u) - 0.5 * np.log1p(u**2))
    return np.asarray(slot_pitch / (slot_pitch - gamma * gap))


@dataclass(frozen=True)
class EndShares:
    """Factors on the reflections of endless irons, shape (family, order, design).

    Attributes
    ----------
    stator_direct, stator_back : ndarray
        On the magnets' own field at the stator, and on what the ring sends there.
    ring_direct, ring_back : ndarray
        The same at the ring, the stator sending.

    """

    stator_direct: Array
    stator_back: Array
    ring_direct: Array
    ring_back: Array


@dataclass(frozen=True)
class IronSurfaces:
    """Smooth cylinders of infinite permeability that bound the magnets.

    Arrays broadcast against harmonics of shape (..., order, design). Permeability is
    infinite, so each surface stays at one magnetic potential.

    Attributes
    ----------
    outer : bool
        True for magnets outside the stator: the steel ring is then the outer surface.
    stator, ring : ndarray, shape (design,)
        Radii of stator surface and of the steel ring's surface [m].
    stator_iron, ring_iron : ndarray, shape (design,)
        1 where that surface is iron, 0 where it is not.

    """

    outer: bool
    stator: Array
    ring: Array
    stator_iron: Array
    ring_iron: Array

    def surface_fields(
        self, at_stator: Array, at_ring: Array, n: Array, ends: EndShares | None = None
    ) -> tuple[Array, Array]:
        """Radial harmonics at stator and ring surface with both irons in place.

        Parameters
        ----------
        at_stator, at_ring : ndarray
            Free-space radial harmonics there: of the multipoles growing towards the
            magnets from the stator, and from the ring.
        n : ndarray
            Orders per turn.
        ends : EndShares, optional
            What the ends leave of each reflection; left out, all of it.

        References
        ----------
        Two reflected multipoles, two surfaces at zero potential (derived). With the
        stator alone the field at its surface is twice the free one.

        """
        near, far = np.minimum(self.stator, self.ring), np.maximum(self.stator, self.ring)
        q = (near / far) ** n
        back = at_ring * self.ring_iron * (self.ring / self.stator) * q
        there = at_stator * self.stator_iron * (self.stator / self.ring) * q
        between = 1 - q**2 * self.stator_iron * self.ring_iron
        if ends is not None:
            at_stator, back = at_stator * ends.stator_direct, back * ends.stator_back
            at_ring, there = at_ring * ends.ring_direct, there * ends.ring_back
        return (
            (1 + self.stator_iron) * (at_stator + back) / between,
            (1 + self.ring_iron) * (at_ring + there) / between,
        )

    def reflected(
        self, stator_field: Array, ring_field: Array, n: Array, radius: Array
    ) -> tuple[Array, Array]:
        """Radial cosine and tangential sine harmonics that the irons add at a radius.

        Half of the radial field at an iron surface comes from the iron itself and
        leaves it as a multipole on either side.
        """
        stator = stator_field / 2 * self.stator_iron
        ring = ring_field / 2 * self.ring_iron
        inner, outer = (stator, ring) if self.outer else (ring, stator)
        r_in, r_out = (self.stator, self.ring) if self.outer else (self.ring, self.stator)
        out = inner * (r_in / radius) ** (n + 1)
        inward = outer * (radius / r_out) ** (n - 1)
        return out + inward, out - inward
