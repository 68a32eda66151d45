"""Which magnets are wrong: hypotheses held against linear measurements with Gaussian errors.

Measurements are ``y = A u + noise`` about what the study expects, with u how far each magnet is
off and what the measurement itself may be off by, all small and Gaussian. A wrong magnet is a
jump of two entries of u that no tolerance explains; how well it explains what is left over
follows from two arrays that are computed once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import cos, sin

import numpy as np
from numpy.typing import NDArray

from arrayopt.quantities import Array

# What is wrong with one magnet: along and across its own polarisation, over that.
KINDS: dict[str, tuple[float, float]] = {
    "missing": (-1.0, 0.0),
    "flipped": (-2.0, 0.0),
    "turned anticlockwise": (-1.0, 1.0),
    "turned clockwise": (-1.0, -1.0),
}
# Natural logarithms of odds that a magnet is wrong in some way before anything is measured, and
# how sure a finding must be. The false alarms that these leave are in the benchmarks.
_RARE, _SURE = 7.0, 6.0
_GRADED = 4.0  # what a size that is fitted besides must explain more
_WEAK, _GONE = 0.06, 0.7  # of the remanence: less is scatter, more is a missing magnet
_BETWEEN = 4.0  # log odds within which two explanations are told side by side
_MOST = 8  # wrong magnets that are looked for
_NEAR = 1  # places between magnets that are judged together


@dataclass(frozen=True)
class Problem:
    """Two arrays that say what measurements tell of entries of u.

    Attributes
    ----------
    score : ndarray, shape (entry,)
        ``A' S^-1 y`` with S the covariance of the measurements that tolerances and noise cause.
    weight : ndarray, shape (entry, entry)
        ``A' S^-1 A``.
    variance : ndarray, shape (entry,)
        Of u before anything is measured.

    """

    score: Array
    weight: Array
    variance: Array

    def posterior(self, jumps: Array) -> tuple[Array, Array]:
        """Return u and its standard uncertainty once jumps are taken as known."""
        P = self.variance
        mean = jumps + P * (self.score - self.weight @ jumps)
        spread = P - P**2 * np.diag(self.weight)
        return np.asarray(mean), np.sqrt(np.maximum(spread, 0))


def gaussian_problem(y: Array, A: Array, *, variance: Array, noise: float) -> Problem:
    """Return the problem of measurements with independent noise.

    Parameters
    ----------
    y : ndarray, shape (sample,)
        Measured less expected.
    A : ndarray, shape (sample, entry)
    variance : ndarray, shape (entry,)
        Before anything is measured.
    noise : float
        Standard deviation of every sample.

    References
    ----------
    Woodbury's identity for the inverse of the covariance (from memory).

    """
    G, w = A.T @ A / noise**2, A.T @ y / noise**2
    inner = np.linalg.inv(np.diag(1 / variance) + G)
    return Problem(w - G @ (inner @ w), G - G @ inner @ G, variance)


@dataclass(frozen=True)
class Wrong:
    """One finding.

    Attributes
    ----------
    members : tuple of int
        Index of the magnet, or of two that are exchanged.
    kind : str
        ``missing``, ``flipped``, ``turned clockwise`` or ``anticlockwise``, ``swapped``,
        ``weak`` or ``strong``.
    jumps : tuple of (float, float)
        Along and across of each member.
    evidence : float
        Natural logarithm of the odds for it against nothing being wrong there.
    instead : tuple of (tuple of int, str)
        Other explanations that are nearly as likely.

    """

    members: tuple[int, ...]
    kind: str
    jumps: tuple[tuple[float, float], ...]
    evidence: float
    instead: tuple[tuple[tuple[int, ...], str], ...] = ()


@dataclass(frozen=True)
class Suspect:
    """One hypothesis: members, kind and their jumps."""

    members: tuple[int, ...]
    kind: str
    jumps: tuple[tuple[float, float], ...]


def hypotheses(
    exchanges: Mapping[tuple[int, int], Sequence[tuple[float, float]]], count: int
) -> list[Suspect]:
    """Return everything that may be wrong with one magnet, or with two that are exchanged.

    Parameters
    ----------
    exchanges : mapping of (int, int) to sequence of (float, float)
        Pairs that may have been exchanged, and by how far both polarisations are off then, for
        each way that the two may lie [rad].
    count : int
        Magnets.

    """
    found = [Suspect((i,), kind, (jump,)) for i in range(count) for kind, jump in KINDS.items()]
    for pair, ways in exchanges.items():
        for errors in ways:
            jumps = tuple((cos(error) - 1, sin(error)) for error in errors)
            found.append(Suspect(pair, "swapped", jumps))
    return found


def find_wrong(problem: Problem, suspects: Sequence[Suspect], count: int) -> list[Wrong]:
    """Find the magnets whose measurements nothing but a mistake explains.

    The first entries of u are all magnets' ``along``, the next ones their ``across``. The best
    explanation is taken, then each one taken is held against its alternatives again, until
    nothing changes.
    """
    table = _Table(problem, suspects, count)
    taken: list[Suspect] = []
    for _ in range(_MOST):
        best, odds = table.best(taken)
        if best is None or odds < _SURE:
            break
        taken.append(best)
        taken = _settled(table, taken)
    return [_told(table, taken, i) for i in range(len(taken))]


def visible(problem: Problem, count: int) -> NDArray[np.bool_]:
    """Tell for which magnets a missing one would have been found."""
    weight = np.diag(problem.weight)[:count]
    return np.asarray(weight / 2 - _RARE > _SURE)


def weakest(problem: Problem, count: int) -> Array:
    """Return how much weaker a magnet must be to be found, over its remanence, (magnet,)."""
    weight = np.diag(problem.weight)[:count]
    least = np.sqrt(2 * (_RARE + _GRADED + _SURE) / np.maximum(weight, 1e-9))
    return np.asarray(np.maximum(least, _WEAK))


def _settled(table: _Table, taken: list[Suspect]) -> list[Suspect]:
    """Hold findings against all others in their place, single ones and pairs, until none changes.

    Two wrong magnets side by side look much like two that are exchanged, and the better of
    them is not found one at a time.
    """
    for _ in range(3):
        before = list(taken)
        for one in before:
            if one not in taken:
                continue
            near = [o for o in taken if table.close(o, one)]
            rest = [o for o in taken if o not in near]
            best, odds = table.best(rest)
            options = [([best], odds)] if best is not None else []
            options.append(table.best_pair(rest, one))
            if len(near) < 3:
                found, odds = max(options, key=lambda option: option[1])
                if odds > table.odds(near, rest) + 1e-9:
                    taken = rest + found
        if before == taken:
            break
    return [one for i, one in enumerate(taken)
            if table.odds([one], taken[:i] + taken[i + 1 :]) >= _SURE]  # fmt: skip


def _told(table: _Table, taken: list[Suspect], i: int) -> Wrong:
    rest, one = taken[:i] + taken[i + 1 :], taken[i]
    odds = table.odds([one], rest)
    others = table.near(rest, odds - _BETWEEN)
    instead = tuple((o.members, o.kind) for o in others if o.members != one.members)
    return Wrong(one.members, one.kind, one.jumps, odds, instead[:5])


class _Table:
    """All hypotheses as arrays, each two magnets wide."""

    def __init__(self, problem: Problem, suspects: Sequence[Suspect], count: int) -> None:
        self.problem, self.suspects, self.count = problem, list(suspects), count
        first = [s.members[0] for s in suspects]
        last = [s.members[-1] for s in suspects]
        two = np.array([len(s.members) > 1 for s in suspects])
        self.entries = np.array([first, last, first, last]).T
        self.entries[:, 2:] += count
        jumps = np.array([[s.jumps[0][0], s.jumps[-1][0], s.jumps[0][1], s.jumps[-1][1]]
                          for s in suspects])  # fmt: skip
        jumps[~two, 1] = jumps[~two, 3] = 0.0
        self.jumps = jumps
        blocks = problem.weight[self.entries[:, :, None], self.entries[:, None, :]]
        self.cost = np.einsum("si,sij,sj->s", jumps, blocks, jumps) / 2

    def total(self, taken: Sequence[Suspect]) -> Array:
        """Jumps of all entries."""
        c = np.zeros(len(self.problem.score))
        for one in taken:
            for member, (along, across) in zip(one.members, one.jumps, strict=True):
                c[member] += along
                c[self.count + member] += across
        return c

    def gains(self, taken: Sequence[Suspect]) -> tuple[Array, Array]:
        """Log odds of every hypothesis beside those taken; and the score that these leave."""
        left = self.problem.score - self.problem.weight @ self.total(taken)
        gains = (self.jumps * left[self.entries]).sum(axis=1) - self.cost - _RARE
        used = [m for one in taken for m in one.members]
        clash = np.isin(self.entries[:, :2], used).any(axis=1)
        return np.where(clash, -np.inf, gains), left

    def _graded(self, left: Array, used: set[int]) -> tuple[int, float, float]:
        """Return the magnet that is best explained as weak or strong, by how much, its odds."""
        weight = np.diag(self.problem.weight)[: self.count]
        size = np.divide(left[: self.count], weight, out=np.zeros(self.count), where=weight > 0)
        odds = size**2 * weight / 2 - _RARE - _GRADED
        odds[(np.abs(size) < _WEAK) | (size < -_GONE)] = -np.inf
        odds[list(used)] = -np.inf
        i = int(np.argmax(odds))
        return i, float(size[i]), float(odds[i])

    def best(self, taken: Sequence[Suspect]) -> tuple[Suspect | None, float]:
        """Return the hypothesis with the highest odds beside those taken."""
        gains, left = self.gains(taken)
        i = int(np.argmax(gains))
        used = {m for one in taken for m in one.members}
        magnet, size, odds = self._graded(left, used)
        if odds > gains[i]:
            kind = "weak" if size < 0 else "strong"
            return Suspect((magnet,), kind, ((size, 0.0),)), odds
        return (self.suspects[i], float(gains[i])) if np.isfinite(gains[i]) else (None, -np.inf)

    def odds(self, some: Sequence[Suspect], rest: Sequence[Suspect]) -> float:
        """Return the log odds of some hypotheses together beside others."""
        left = self.problem.score - self.problem.weight @ self.total(rest)
        c = self.total(some)
        gain = float(c @ left - c @ (self.problem.weight @ c) / 2) - _RARE * len(some)
        return gain - _GRADED * sum(one.kind in ("weak", "strong") for one in some)

    def close(self, one: Suspect, other: Suspect) -> bool:
        """Tell whether two hypotheses are about magnets within a few places of each other."""
        apart = np.subtract.outer(one.members, other.members)
        return bool((np.abs((apart + self.count / 2) % self.count - self.count / 2) <= _NEAR).any())

    def best_pair(self, taken: Sequence[Suspect], about: Suspect) -> tuple[list[Suspect], float]:
        """Return the best two hypotheses about magnets close to one, beside those taken."""
        gains, _ = self.gains(taken)
        here = [i for i, s in enumerate(self.suspects)
                if np.isfinite(gains[i]) and self.close(s, about)]  # fmt: skip
        D = np.zeros((len(here), len(self.problem.score)))
        for row, i in enumerate(here):
            np.add.at(D[row], self.entries[i], self.jumps[i])
        both = gains[here][:, None] + gains[here] - D @ self.problem.weight @ D.T
        used = np.zeros((len(here), self.count), dtype=bool)
        for row, i in enumerate(here):
            used[row, list(self.suspects[i].members)] = True
        both[(used.astype(int) @ used.T.astype(int)) > 0] = -np.inf
        if not both.size:
            return [], -np.inf
        i, j = divmod(int(np.argmax(both)), len(here))
        return [self.suspects[here[i]], self.suspects[here[j]]], float(both[i, j])

    def near(self, rest: Sequence[Suspect], least: float) -> list[Suspect]:
        """Return the hypotheses with at least some odds beside others, likeliest first."""
        gains, _ = self.gains(rest)
        order = np.argsort(-gains)
        return [self.suspects[i] for i in order[:50] if gains[i] >= least]
