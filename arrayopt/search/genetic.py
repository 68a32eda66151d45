"""Proposing designs: a genetic algorithm that works on whole generations at once."""

from __future__ import annotations

from collections.abc import Callable, Container, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from arrayopt.quantities import Array

_CROSSOVER = 0.6  # share of children of two parents; the others are changed copies of one
_FAR = 0.4  # share of mutations that go anywhere; the others go to a neighbour
_NEAR = 0.08  # of the range: spread of a step to a neighbour
_ROUNDS = 4  # rounds in search of designs that are new
_NEIGHBOURS = 0.7  # share of a generation that are neighbours of the front
_STEP = 0.03  # of a smooth range: spread of a step to a neighbour


@dataclass(frozen=True)
class Axis:
    """One variable as a gene: a place among ``count`` values, or a share of a range if 0."""

    count: int
    ordered: bool


def random_genes(axes: list[Axis], size: int, rng: np.random.Generator) -> Array:
    """Return random genes, one design a row."""
    columns = [rng.integers(a.count, size=size) if a.count else rng.random(size) for a in axes]
    return np.stack(columns, axis=1).astype(float)


def children(parents: Array, axes: list[Axis], size: int, rng: np.random.Generator) -> Array:
    """Return the genes of changed designs.

    Parameters
    ----------
    parents : ndarray, shape (n, gene)
        From best to worst: of two drawn at random the better one is a parent.
    axes : list of Axis
    size : int

    """
    drawn = np.sort(rng.integers(len(parents), size=(2, size, 2)), axis=2)[..., 0]
    one, other = parents[drawn[0]], parents[drawn[1]]
    swap = rng.random(one.shape) < 0.5
    swap[rng.random(size) >= _CROSSOVER] = False
    child = np.where(swap, other, one)
    change = rng.random(child.shape) < 1 / len(axes)
    far = rng.random(child.shape) < _FAR
    anywhere = random_genes(axes, size, rng)
    step = rng.standard_normal(child.shape)
    for i, axis in enumerate(axes):
        near = _neighbour(child[:, i], step[:, i], axis)
        moved = np.where(far[:, i], anywhere[:, i], near) if axis.ordered else anywhere[:, i]
        child[:, i] = np.where(change[:, i], moved, child[:, i])
    return np.asarray(child)


def _neighbour(gene: Array, step: Array, axis: Axis) -> Array:
    """Move to a neighbouring value, at least one place away."""
    if not axis.count:
        return np.asarray(np.clip(gene + _NEAR * step, 0, 1))
    apart = np.sign(step) * np.ceil(np.abs(step) * max(_NEAR * axis.count, 0.5))
    return np.asarray(np.clip(gene + apart, 0, axis.count - 1))


def steps(front: Array, axes: list[Axis], size: int, rng: np.random.Generator) -> Array:
    """Return neighbours of designs: one gene changed to the next value, or by a small step.

    Parameters
    ----------
    front : ndarray, shape (n, gene)
    axes : list of Axis
    size : int

    """
    moved = front[rng.integers(len(front), size=size)]
    which = rng.integers(len(axes), size=size)
    away = rng.standard_normal(size)
    for i, axis in enumerate(axes):
        here = which == i
        if not axis.count:
            new = moved[here, i] + _STEP * away[here]
            moved[here, i] = np.clip(new, 0, 1)
        elif axis.ordered:
            moved[here, i] = np.clip(moved[here, i] + np.sign(away[here]), 0, axis.count - 1)
        else:
            moved[here, i] = rng.integers(axis.count, size=int(here.sum()))
    return moved


def proposals(
    front: Array,
    parents: Array,
    axes: list[Axis],
    size: int,
    rng: np.random.Generator,
    *,
    name: Callable[[Array], tuple[Any, ...]],
    known: Container[tuple[Any, ...]],
    begun: Sequence[tuple[Any, ...]] = (),
) -> list[tuple[Any, ...]]:
    """Return names of designs that are not known yet, to be judged next.

    Parameters
    ----------
    front, parents : ndarray, shape (n, gene)
        Best designs, whose neighbours are tried first; all that may have children, from
        best to worst.
    axes : list of Axis
    size : int
        Wanted; fewer come where new designs have become rare.
    name : callable
        From genes to what tells designs apart.
    known : container of tuple
        Names of designs judged already.
    begun : sequence of tuple
        Names to begin with.

    """
    found = {one: None for one in begun[:size] if one not in known}

    def take(genes: Array, most: int) -> None:
        for row in genes:
            if len(found) >= most:
                return
            one = name(row)
            if one not in known:
                found[one] = None

    for _ in range(_ROUNDS if len(front) else 0):
        take(steps(front, axes, 2 * size, rng), int(_NEIGHBOURS * size))
    for _ in range(_ROUNDS if len(parents) else 0):
        take(children(parents, axes, size, rng), size)
    # The neighbourhood may be used up.
    for _ in range(_ROUNDS):
        take(random_genes(axes, size, rng), size)
    return list(found)
