"""Every magnet of a rotor by number: where it sits and which way it is polarised."""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, degrees, pi, remainder, sin

from arrayopt.layout.build import Layout, build_layout
from arrayopt.study.models import Study


@dataclass(frozen=True)
class Member:
    """One magnet of a rotor, seen from the open side of its carrier.

    Attributes
    ----------
    number : int
        Anticlockwise from 1, a main magnet with north towards the stator where the layout has
        one; rows of a skewed rotor follow each other from the floor up.
    row : int
        From 1 at the floor.
    place : int
        Of the ring, 0 to p M - 1, as the layout counts.
    family, table : str
        Name of the family, and of the study's table of its sizes.
    angle : float
        Of its axis, anticlockwise from that of magnet 1 in the lowest row [rad].
    direction : float
        Of its polarisation against its own outward radius, anticlockwise [rad].
    centre_radius : float
        Of the middle of its thickness [m].

    """

    number: int
    row: int
    place: int
    family: str
    table: str
    angle: float
    direction: float
    centre_radius: float

    @property
    def polarisation(self) -> float:
        """Direction of its polarisation against the axis of magnet 1, anticlockwise [rad]."""
        return (self.angle + self.direction) % (2 * pi)

    @property
    def north(self) -> str:
        """Where its north points: out, in, anticlockwise, clockwise, or degrees from out."""
        turn = round(degrees(self.direction), 6) % 360
        named = {0: "out", 90: "anticlockwise", 180: "in", 270: "clockwise"}
        if turn in named:
            return named[int(turn)]
        side = "anticlockwise" if turn < 180 else "clockwise"
        return f"{min(turn, 360 - turn):.4g} deg from out, {side}"


def rotor_members(study: Study) -> tuple[Member, ...]:
    """Return the magnets of a rotor in the order of their numbers."""
    layout = build_layout(study)
    count = int(layout.pole_pairs[0]) * layout.magnets_per_pole_pair
    first = first_place(layout)
    step = study.rotor.skew_step_deg * pi / 180
    found = []
    for row in range(study.rotor.skew_steps):
        for n in range(count):
            place = (first + n) % count
            family = layout.families[layout.family_at(place)]
            shape = layout.shapes[layout.family_at(place)]
            found.append(
                Member(
                    number=row * count + n + 1,
                    row=row + 1,
                    place=place,
                    family=family.name,
                    table=family.table,
                    angle=2 * pi * n / count + row * step,
                    direction=layout.direction_at(place) % (2 * pi),
                    centre_radius=float(shape.lo[0] + shape.hi[0]) / 2,
                )
            )
    return tuple(found)


def exchange_errors(
    members: tuple[Member, ...], layout: Layout, i: int, j: int
) -> tuple[tuple[float, float], ...]:
    """Return by how far the polarisation of two magnets is off once they are exchanged [rad].

    Each way that the two may then lie in their pockets is one; anticlockwise. Magnets of one
    family are the same piece, so that an exchange is told only where both lie as before.
    """
    if members[i].family == members[j].family:
        return ((pi, pi),)
    angles = {family.name: family.piece_angle for family in layout.families}
    ways = [_seated(angles[members[b].family], members[a].direction) for a, b in ((i, j), (j, i))]
    return tuple((a, b) for a in ways[0] for b in ways[1])


def _seated(piece_angle: float, direction: float) -> tuple[float, ...]:
    """Errors of a piece in a pocket that is meant for a direction, however it is turned over."""
    ways = (piece_angle, -piece_angle, pi - piece_angle, pi + piece_angle)
    errors = {round(remainder(way - direction, 2 * pi), 9) for way in ways}
    return tuple(sorted(errors, key=lambda error: (abs(error), error)))


def first_place(layout: Layout) -> int:
    """Place of magnet number 1: a main magnet with north towards the stator, if there is one."""
    main = layout.families[0]
    facing = [
        place
        for place, direction in zip(main.places, main.directions, strict=True)
        if -layout.sign * cos(direction) > 0.5
    ]
    return (facing or list(main.places))[0]


def position(member: Member) -> tuple[float, float]:
    """Return x and y of a magnet's middle [m], y along the axis of magnet 1."""
    return -member.centre_radius * sin(member.angle), member.centre_radius * cos(member.angle)
