"""Which loose magnets are for which pockets of a rotor."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import cos, degrees

from arrayopt.errors import StudyError, echo
from arrayopt.layout import Blocks, Layout
from arrayopt.layout.members import Member
from arrayopt.measurement.records import Loose

_LISTED = 10  # faults of one kind that are told


@dataclass(frozen=True)
class Kind:
    """Pockets that the same magnets fit, and the magnets for them.

    Attributes
    ----------
    name : str
        Of the family or families; of arcs with the side that north is on, ``main out``.
    pockets : tuple of int
        Numbers of the magnets as the polarity map has them.
    labels : tuple of str
        Of all its magnets, those left over too.
    mean : float
        Of the readings' magnitudes [T].
    scatter : float
        Standard deviation of the readings over their mean.
    chosen : float
        Mean of the magnets that were chosen over that of all.
    remanence : float
        At 20 C, that the mean reading tells if it was read before the face with the most
        flux; see `pole_reading` [T].

    """

    name: str
    pockets: tuple[int, ...]
    labels: tuple[str, ...] = ()
    mean: float = float("nan")
    scatter: float = float("nan")
    chosen: float = 1.0
    remanence: float = float("nan")


def filled_kinds(
    layout: Layout, members: Sequence[Member], loose: Loose, *, every: bool
) -> tuple[Kind, ...]:
    """Return the kinds of pockets of a rotor with the labels of their magnets.

    Parameters
    ----------
    layout, members
    loose : Loose
    every : bool
        There must be a magnet for every pocket.

    Raises
    ------
    StudyError
        If labels come twice, the kind of a magnet is not said, or magnets are too few.

    """
    where, kinds = loose.path, pocket_kinds(layout, members)
    faults = [
        f"{where}: every magnet needs a label of its own; {echo(label)} comes {n} times; rename it"
        for label, n in Counter(loose.labels).items()
        if n > 1
    ]
    given = [" ".join(family.casefold().split()) for family in loose.families]
    if not any(given):
        kinds = (_pooled(kinds),) if one_piece(layout, kinds) else kinds
        given = [kinds[0].name] * len(given) if len(kinds) == 1 else given
    names = [kind.name for kind in kinds]
    strange = Counter(family for family in given if family not in names)
    wrong = [
        f"{where}: column family must be {_choice(names)}; got {echo(family)} for {n} magnets, the "
        f"first {echo(loose.labels[given.index(family)])}; write one of those"
        for family, n in strange.items()
    ]
    if wrong and not any(given):
        rotor = " and ".join(f"{len(kind.pockets)} {kind.name}" for kind in kinds)
        wrong = [
            f"{where}: the rotor has pockets of several kinds, {rotor}; got no families; add a "
            f"column family that says {_choice(names)} for every magnet"
        ]
    filled = tuple(
        replace(k, labels=_of(loose.labels, [family == k.name for family in given])) for k in kinds
    )
    if every and not wrong:
        faults += [
            f"{where}: the rotor has {len(k.pockets)} pockets of {k.name} magnets; got "
            f"{len(k.labels)} readings; measure {len(k.pockets) - len(k.labels)} more"
            for k in filled
            if len(k.labels) < len(k.pockets)
        ]
    stop_at([*faults, *wrong])
    return filled


def pocket_kinds(layout: Layout, members: Sequence[Member]) -> tuple[Kind, ...]:
    """Return the kinds of pockets of a rotor, without magnets.

    One a family; arcs cannot be turned inside out, so a family of theirs with north on either
    side has two: ``main out`` and ``main in``.
    """
    found: dict[str, list[int]] = {}
    for member in members:
        found.setdefault(_kind_name(layout, member), []).append(member.number)
    order = [family.name for family in layout.families]
    ranked = sorted(found, key=lambda name: (order.index(_family(name)), name.endswith(" in")))
    return tuple(Kind(name, tuple(found[name])) for name in ranked)


def _kind_name(layout: Layout, member: Member) -> str:
    names = [family.name for family in layout.families]
    family = layout.families[names.index(member.family)]
    arcs = not isinstance(layout.shapes[names.index(member.family)], Blocks)
    sides = {cos(direction) < -1e-9 for direction in family.directions}
    if not arcs or len(sides) == 1:
        return family.name
    return f"{family.name} {'in' if cos(member.direction) < -1e-9 else 'out'}"


def _family(name: str) -> str:
    return name.removesuffix(" in").removesuffix(" out")


def piece_of(layout: Layout, name: str) -> tuple[object, ...]:
    """Return what two kinds that are the same piece have in common, as the cut list has it."""
    i = [family.name for family in layout.families].index(_family(name))
    shape, grade = layout.shapes[i], layout.grades[i][0].name
    length = round(float(layout.length[0]) / layout.studies[0].rotor.skew_steps, 9)
    angle = round(degrees(layout.families[i].piece_angle), 6)
    thick = round(float(shape.thickness[0]), 9)
    if not isinstance(shape, Blocks):
        arc = round(float(shape.lo[0]), 9), thick, round(float(shape.span[0]), 9), length
        return "arc", arc, angle, name.removeprefix(_family(name)), grade
    wide = round(float(shape.width[0]), 9)
    if angle in (0, 90):
        poled, other = (thick, wide) if angle == 0 else (wide, thick)
        return "block", poled, tuple(sorted((other, length))), 0.0, grade
    if angle > 45 or (angle == 45 and wide < thick):
        thick, wide, angle = wide, thick, round(90 - angle, 6)
    return "block", thick, (wide, length), angle, grade


def one_piece(layout: Layout, kinds: tuple[Kind, ...]) -> bool:
    """Tell whether magnets of these kinds are one and the same piece."""
    return len({piece_of(layout, kind.name) for kind in kinds}) == 1


def _pooled(kinds: tuple[Kind, ...]) -> Kind:
    return Kind(
        " and ".join(kind.name for kind in kinds),
        tuple(sorted(number for kind in kinds for number in kind.pockets)),
    )


def first_family(layout: Layout, kind: Kind) -> int:
    """Index of a kind's family; families in one bag are the same piece, so any will do."""
    name = _family(kind.name.split(" and ")[0])
    return [family.name for family in layout.families].index(name)


def _choice(names: list[str]) -> str:
    return " or ".join(names)


def _of(labels: tuple[str, ...], flags: list[bool]) -> tuple[str, ...]:
    return tuple(label for label, flag in zip(labels, flags, strict=True) if flag)


def stop_at(faults: list[str]) -> None:
    """Raise the faults that there are, the first of many."""
    if faults:
        more = len(faults) - _LISTED
        rest = [f"and {more} more like these"] if more > 0 else []
        raise StudyError([*faults[:_LISTED], *rest])
