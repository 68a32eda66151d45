"""Pushing the magnets in: the force on each along its path, in what order, and what holds it.

A magnet goes in along the shaft, from the open side of the carrier. Forces come from
`arrayopt.field.forces`, without the stator and with the steel ring where there is one.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from arrayopt.checks.buildable import check_buildable
from arrayopt.errors import ArrayoptError
from arrayopt.field.forces import PairForces, pair_forces
from arrayopt.layout import Layout, build_layout
from arrayopt.layout.members import first_place
from arrayopt.layout.pockets import carrier_ring, family_pockets
from arrayopt.quantities import Array
from arrayopt.study import Study

# Nickel-plated magnets on a print, little and much (common practice, no source).
SLIDES, STICKS = 0.2, 0.4
GRAVITY = 9.81  # m/s2
COMPUTED = "by computed forces"
_NEAR_BEST = 1.05  # worst pushes nearer than this count as equal; what must be held then decides
_STEPS = 24  # of the path
_LOOSE = 0.15  # of a magnet's length: as far as one may be lifted and must not come out
_LEAST = 0.02  # N, forces less than this are not worth a word


@dataclass(frozen=True)
class Order:
    """Magnets pushed in one after another, row by row from the floor up.

    Attributes
    ----------
    name : str
    sequence : ndarray of int, shape (step,)
        Places round the ring, anticlockwise seen from the open side, one row.
    force : ndarray, shape (row, step, lift, 3)
        Force on the magnet of that step along its path [N]: along its outward radius, the
        circumference (anticlockwise) and the shaft (towards the open side).
    held : ndarray, shape (row, step, lift, 3)
        The same force on lifts near the seat, when it lifts the magnet most while others of
        the row are pushed in after it.
    to_gap : ndarray, shape (row, step)
        Largest force towards the gap on the seated magnet during that time [N].

    """

    name: str
    sequence: Array
    force: Array
    held: Array
    to_gap: Array

    @cached_property
    def push(self) -> Array:
        """Push that the magnet of each step needs at the most, shape (row, step) [N]."""
        return np.asarray(push_along(self.force).max(axis=-1))

    @property
    def worst(self) -> tuple[int, int]:
        """Row and step of the hardest push."""
        row, step = np.unravel_index(int(np.argmax(np.round(self.push, 6))), self.push.shape)
        return int(row), int(step)


@dataclass(frozen=True)
class Holding:
    """What a seated magnet needs until its glue has set.

    Attributes
    ----------
    up : float
        Force out of the open side that friction does not hold [N]; 0 where it stays.
    out : float
        Force towards the gap where nothing of the print is in front of it [N]; 0 else.
    pulled : bool
        Whether the others pull it home.
    bore : bool
        Whether the gap is in the bore, as in an outer rotor.

    """

    up: float
    out: float
    pulled: bool
    bore: bool

    @property
    def needed(self) -> bool:
        """Whether anything but friction and the print must hold it."""
        return self.up > 0 or self.out > 0

    @property
    def kind(self) -> str:
        """What holds it, in words."""
        if self.up and self.out:
            return "a plug in the bore and a lid" if self.bore else "a sleeve and a lid"
        if self.out:
            return "a plug in the bore" if self.bore else "a sleeve"
        if self.up:
            return "a lid"
        return "pulled in" if self.pulled else "friction"


@dataclass(frozen=True)
class Assembly:
    """Orders of pushing the magnets in.

    Attributes
    ----------
    layout : Layout
    lifts : ndarray, shape (lift,)
        Heights above the seat [m].
    orders : tuple of Order
        The recommended one first.

    Examples
    --------
    >>> from arrayopt import assembly, load_study
    >>> found = assembly(load_study("studies/ankle/study.toml"))
    >>> best = found.recommended
    >>> f"{best.name}, hardest push {best.push.max():.1f} N"
    'from one side, hardest push 2.3 N'
    >>> other = found.order("transverse magnets first")
    >>> found.to_hold(best) < found.to_hold(other)
    True

    The magnet that goes in first, by its place round the ring, and what holds it meanwhile.

    >>> place = int(best.sequence[0])
    >>> found.layout.families[found.family(place)].name
    'main'
    >>> found.holding(best, row=0, step=0).kind
    'a plug in the bore'
    """

    layout: Layout
    lifts: Array
    orders: tuple[Order, ...]

    @property
    def recommended(self) -> Order:
        """Of the orders near the least worst push the one with the fewest magnets to hold.

        Among equals one that can be followed without a list.
        """
        return self.orders[0]

    def order(self, name: str) -> Order:
        """Return an order by its name.

        Parameters
        ----------
        name : str
            Of one of `orders`.

        Raises
        ------
        ArrayoptError
            If there is none of that name.

        """
        names = [order.name for order in self.orders]
        if name not in names:
            raise ArrayoptError(f"there is no order {name!r}; choose {', '.join(names)}")
        return self.orders[names.index(name)]

    def family(self, place: int) -> int:
        """Return the family, as a place in the layout, of the magnet at a place of the ring.

        Parameters
        ----------
        place : int
            Round the ring from 0, as in `Order.sequence`.

        """
        return self.layout.family_at(place)

    def to_hold(self, order: Order) -> int:
        """Count the magnets that a plug or a lid must hold until their glue has set.

        Parameters
        ----------
        order : Order
            One of `orders`.

        """
        return sum(self.holding(order, *at).needed for at in np.ndindex(order.push.shape))

    def holding(self, order: Order, row: int, step: int) -> Holding:
        """Tell what holds the magnet of a step until its glue has set.

        Parameters
        ----------
        order : Order
        row, step : int
            From 0: row of magnets along the shaft from the floor up, and step of the order.

        """
        study = self.layout.studies[0]
        family = self.family(int(order.sequence[step]))
        shape, grade = self.layout.shapes[family], self.layout.grades[family][0]
        rows = study.rotor.skew_steps
        weight = float(shape.area[0] * self.layout.length[0]) / rows * grade.density * GRAVITY
        force = order.held[row, step]
        side = np.hypot(force[:, 0], force[:, 1])
        up = float(np.max(force[:, 2] - SLIDES * side - weight))
        towards_gap = float(order.to_gap[row, step])
        open_front = _open_front(self.layout, family)
        out = towards_gap if open_front and towards_gap > _LEAST else 0.0
        up = up if up > _LEAST else 0.0
        return Holding(up, out, pulled=float(force[:, 2].max()) <= _LEAST, bore=self.layout.outer)


def assembly(study: Study) -> Assembly:
    """Compute the forces while a rotor's magnets are pushed in, for several orders.

    Orders: family by family, main or transverse magnets first; neighbour by neighbour round the
    ring; from one side, growing at both ends; and by computed forces: the easiest magnet next,
    or, going back from the full ring, the easiest magnet last, whichever has the lower worst push.
    The push is that along the shaft against magnets and friction, at its worst along the path.

    Parameters
    ----------
    study : Study

    Returns
    -------
    Assembly

    Raises
    ------
    StudyError
        If magnets do not fit or the winding is unbalanced.

    References
    ----------
    Forces by charged faces (Akoun & Yonnet 1984), see `arrayopt.field.forces.pair_forces`;
    coefficients of friction are common practice, no source.

    Examples
    --------
    >>> from arrayopt import assembly, load_study
    >>> found = assembly(load_study("studies/ankle/study.toml"))
    >>> [order.name for order in found.orders][-2:]
    ['neighbour by neighbour', 'main magnets first']
    >>> pushes = [order.push.max() for order in found.orders]  # N
    >>> bool(pushes[0] < 1.05 * min(pushes))
    True
    """
    check_buildable(study)
    layout = build_layout(study)
    lifts = _lifts(layout)
    pairs = pair_forces(layout, lifts=lifts)
    ring = _Ring(layout, pairs)
    named = [ring.order(name, sequence) for name, sequence in _named(layout).items()]
    computed = [
        ring.order(COMPUTED, _from_the_mark(layout, sequence))
        for sequence in (ring.easiest_next(), ring.easiest_last())
    ]
    orders = [*named, min(computed, key=_difficulty)]
    found = Assembly(layout, lifts, tuple(orders))
    least = min(_difficulty(order) for order in orders)[0]
    near = [order for order in orders if _difficulty(order)[0] <= _NEAR_BEST * least]
    first = min(near, key=lambda o: (found.to_hold(o), o.name == COMPUTED, *_difficulty(o)))
    others = sorted((o for o in orders if o is not first), key=_difficulty)
    return Assembly(layout, lifts, (first, *others))


def _difficulty(order: Order) -> tuple[float, float]:
    return float(np.round(order.push.max(), 6)), float(np.round(order.push.mean(), 6))


def push_along(force: Array) -> Array:
    """Push along the shaft: against the force on the magnet and its friction in the pocket."""
    return np.asarray(force[..., 2] + STICKS * np.hypot(force[..., 0], force[..., 1]))


def _lifts(layout: Layout) -> Array:
    """Heights from the seat to where the magnet is free of the ring."""
    length = float(layout.length[0]) / layout.studies[0].rotor.skew_steps
    sizes = [max(float(s.thickness[0]), float(s.width[0])) for s in layout.shapes]
    loose = length * np.array([0, _LOOSE / 2, _LOOSE])
    return np.concatenate(
        [loose, np.linspace(_LOOSE * length, length + 2 * max(sizes), _STEPS)[1:]]
    )


_LIFTS_HELD = 3


def _named(layout: Layout) -> dict[str, Array]:
    """Orders that a builder would think of, without those that come to the same."""
    count = int(layout.members[:, 0].sum())
    places = np.arange(count)
    table = np.array([layout.families[layout.family_at(k)].table for k in range(count)])
    ranks: dict[str, tuple[str, ...]] = {"main magnets first": ("main", "oblique", "transverse")}
    if "transverse" in table:
        ranks["transverse magnets first"] = ("transverse", "oblique", "main")
    elif "oblique" in table:
        ranks["oblique magnets first"] = ("oblique", "main")
    found = {
        name: np.concatenate([places[table == t] for t in tables]) for name, tables in ranks.items()
    }
    found["neighbour by neighbour"] = places
    sides = np.concatenate([[k, -k] for k in range(1, count // 2 + 1)])[: count - 1]
    found["from one side"] = np.concatenate([[0], sides]) % count
    distinct: dict[tuple[int, ...], str] = {}
    for name, sequence in reversed(found.items()):
        distinct.setdefault(tuple(sequence), name)
    # Magnet 1, at the start mark, goes in first.
    first = first_place(layout)
    return {
        name: (np.array(sequence) + first) % count for sequence, name in reversed(distinct.items())
    }


def _from_the_mark(layout: Layout, sequence: Array) -> Array:
    """Turn an order by whole pole pairs, which changes no force, to begin at the start mark."""
    M = layout.magnets_per_pole_pair
    shift = first_place(layout) - int(sequence[0]) // M * M
    return np.asarray((sequence + shift) % len(sequence))


class _Ring:
    """Forces of all magnets of a row on each other, and of the full rows below."""

    def __init__(self, layout: Layout, pairs: PairForces) -> None:
        M = layout.magnets_per_pole_pair
        self.count = pairs.pairs.shape[2]
        self.rows = layout.studies[0].rotor.skew_steps
        self.gap_side = -layout.sign
        k = np.arange(self.count)
        # (magnet, source, lift, 3)
        offset = (k[None, :] - k[:, None]) % self.count
        self.from_each = pairs.pairs[k[:, None] % M, 0, offset]
        below = pairs.pairs[:, 1:].sum(axis=2)
        steady = [pairs.ring + below[:, :row].sum(axis=1) for row in range(self.rows)]
        self.steady = np.array(steady)[:, k % M]  # (row, magnet, lift, 3)

    def order(self, name: str, sequence: Array) -> Order:
        """Follow the force on every magnet while a row is filled."""
        pair = self.from_each[np.ix_(sequence, sequence)]
        before = np.tril(np.ones((self.count, self.count)), -1)
        force = np.einsum("ij,ijlc->ilc", before, pair)
        near = pair[:, :, :_LIFTS_HELD]
        later = np.cumsum(near, axis=1)
        steady = self.steady[:, sequence]
        held = np.empty((self.rows, self.count, _LIFTS_HELD, 3))
        to_gap = np.empty((self.rows, self.count))
        missing = np.tril_indices(self.count, -1)
        for row in range(self.rows):
            # Worst is the step, own or later, at which it is lifted most strongly.
            whole = later + steady[row][:, None, :_LIFTS_HELD]
            lift = (whole[..., 2] - SLIDES * np.hypot(whole[..., 0], whole[..., 1])).max(axis=2)
            lift[missing] = -np.inf
            held[row] = whole[np.arange(self.count), lift.argmax(axis=1)]
            inward = whole[:, :, 0, 0] * self.gap_side
            inward[missing] = -np.inf
            to_gap[row] = inward.max(axis=1)
        return Order(name, sequence, force[None] + steady, held, to_gap)

    def easiest_next(self) -> Array:
        """Take the magnet that needs the least push each time."""
        return self._greedy(self.steady[-1].copy(), sign=1)

    def easiest_last(self) -> Array:
        """Take out of the full ring what would need the least push; the reverse of that."""
        return self._greedy(self.steady[-1] + self.from_each.sum(axis=1), sign=-1)[::-1]

    def _greedy(self, force: Array, *, sign: int) -> Array:
        free, sequence = np.ones(self.count, dtype=bool), []
        for _ in range(self.count):
            push = np.round(push_along(force).max(axis=1), 6)
            push[~free] = np.inf
            best = int(np.argmin(push))
            sequence.append(best)
            free[best] = False
            force = force + sign * self.from_each[:, best]
        return np.array(sequence)


def _open_front(layout: Layout, family: int) -> bool:
    """Tell whether a magnet has nothing printed between itself and the gap, not even lips."""
    pockets = family_pockets(layout, carrier_ring(layout), family)
    return not (pockets.closed[0] or pockets.lipped[0])
