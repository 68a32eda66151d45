"""Which measured magnet goes into which pocket, so that their differences cancel.

Magnets that differ add waves that a perfect ring lacks. To first order each of the harms that
these do is linear in the magnets' deviations, so the sum of their squares is a quadratic
assignment problem; exchanges of two magnets, whose gains all come from one matrix, solve it.

What is left when magnets of 2 % scatter are sorted, in percent of the mean of 200 random
placements; exact readings and, in brackets, readings that are off by 0.5 % themselves (bags drawn
five times, mean):

==========  ========  ========  ============  ===========
study       pull      beat      slot cogging  stray waves
==========  ========  ========  ============  ===========
ankle       1.5 (25)  2.0 (25)  0.9 (25)      65 (70)
wrist       1.9 (25)  -         -             47 (54)
pan         -         0.6 (27)  -             13 (29)
==========  ========  ========  ============  ===========

With two spares of each kind 53, 18 and 6 % of the stray waves stay. Times, two cores shared:
0.5 to 1 s for 64 magnets, 1 to 3 s for 112. With one kind of 28 or 56 magnets the objective came
to 0.177 and 0.099, scipy's pairwise exchange with ten starts to 0.180 and 0.100 in 3.6 and 83 s.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from arrayopt.checks.buildable import check_buildable
from arrayopt.errors import ArrayoptError, StudyError, echo
from arrayopt.field import ORDERS, solve_field
from arrayopt.layout import build_layout
from arrayopt.layout.members import Member
from arrayopt.measurement.bags import Kind, filled_kinds, first_family, one_piece, stop_at
from arrayopt.measurement.harms import harms
from arrayopt.measurement.loose import remanence_of
from arrayopt.measurement.placing import Order, Task, best_placement
from arrayopt.measurement.records import Loose
from arrayopt.quantities import Array
from arrayopt.scatter.outcomes import outcomes, together
from arrayopt.scatter.sources import Drawn, Ring, study_ring
from arrayopt.study import Study

MOST = 1000  # magnets that are sorted at once
FIGURES = ("pull", "beat", "cogging_slots", "stray_waves", "torque_share")
RANDOM = 200  # placements that sorting is held against
REPEAT = 0.005  # of a reading, standard deviation; a careful builder's, common practice, no source
_OUTLIER = 0.3  # off the median of its kind: another magnet, or another face
_OFF_GRADE = 0.05  # beyond the grade's range; more than a probe and its distance are off


@dataclass(frozen=True)
class Change:
    """One figure of `arrayopt.figures.OUTCOMES` before and after sorting, in SI units.

    Attributes
    ----------
    name : str
    mean, low, high : float
        Of magnets placed at random: mean, and 2.5th and 97.5th percentile.
    after : float
        Of the sorted rotor if the readings are exact.
    doubtful : float
        Of the sorted rotor, mean with readings that are off by `REPEAT` (standard deviation).

    """

    name: str
    mean: float
    low: float
    high: float
    after: float
    doubtful: float


@dataclass(frozen=True)
class Sorting:
    """Measured magnets in their pockets.

    Attributes
    ----------
    title, path : str
        Of the study; of the file of readings.
    members : tuple of Member
        Pockets by number.
    assignment : mapping of int to str
        Label of the magnet by number of its pocket.
    left_over : tuple of str
        Labels, in the order of the file.
    values : mapping of str to float
        Readings by label, magnitudes [T].
    deviations : mapping of str to float
        Reading over the mean of all magnets of its kind, less one.
    kinds : tuple of Kind
    figures : tuple of Change
    objective_before, objective_after : float
        Mean of random placements, which is about 1, and of the sorted one.
    kind : str
        ``reading`` or ``remanence``.
    seed : int
    cautions : tuple of str

    Examples
    --------
    >>> from arrayopt import load_study, read_measured, sort_magnets
    >>> (bag,) = read_measured(["studies/ankle/measured/bag.csv"])
    >>> found = sort_magnets(load_study("studies/ankle/study.toml"), bag)
    >>> len(found.assignment), len(found.left_over)  # pockets filled, spares
    (64, 4)
    >>> label = found.assignment[1]  # the magnet for pocket 1
    >>> kind = next(kind for kind in found.kinds if 1 in kind.pockets)
    >>> kind.name, label in kind.labels, f"{found.values[label]:.1f} T"
    ('main', True, '0.3 T')
    """

    title: str
    path: str
    members: tuple[Member, ...]
    assignment: Mapping[int, str]
    left_over: tuple[str, ...]
    values: Mapping[str, float]
    deviations: Mapping[str, float]
    kinds: tuple[Kind, ...]
    figures: tuple[Change, ...]
    objective_before: float
    objective_after: float
    kind: str
    seed: int
    cautions: tuple[str, ...]


def sort_magnets(study: Study, loose: Loose, *, seed: int = 1) -> Sorting:
    """Assign measured magnets to pockets so that their differences do the least harm.

    Only a magnet's deviation from the mean of its kind counts. What all magnets of a family
    share gives no wave that a perfect ring lacks, so of a bag with spares any may be left over,
    strong or weak: those are kept whose differences cancel best.

    Parameters
    ----------
    study : Study
    loose : Loose
        Readings, at least one magnet for every pocket; see `read_measured`.
    seed : int
        The same seed gives the same placement.

    Returns
    -------
    Sorting

    Raises
    ------
    StudyError
        If the motor cannot be built, magnets are too few or too many, labels come twice, a
        reading is more than 30 % off the median of its kind, or the kind of a magnet is not
        said; a line for every fault.

    Examples
    --------
    >>> from arrayopt import load_study, read_measured, sort_magnets
    >>> (bag,) = read_measured(["studies/ankle/measured/bag.csv"])
    >>> found = sort_magnets(load_study("studies/ankle/study.toml"), bag)
    >>> found.objective_after < 0.2 * found.objective_before
    True
    >>> pull = found.figures[0]  # N, of rotors filled at random and of this one
    >>> pull.name, pull.after < pull.low < pull.mean
    ('pull', True)
    """
    if not isinstance(loose, Loose):
        raise ArrayoptError(
            f"sorting needs readings of loose magnets; got a {type(loose).__name__}; give one that "
            "`read_measured` found in a file of loose magnets"
        )
    if len(loose.labels) > MOST:
        raise StudyError(
            [
                f"{loose.path}: at most {MOST} magnets can be sorted at once; got "
                f"{len(loose.labels)}; take some out"
            ]
        )
    check_buildable(study)
    ring = study_ring(study, solve_field(build_layout(study), orders=ORDERS))
    filled = filled_kinds(ring.layout, ring.magnets.members, loose, every=True)
    kinds = tuple(_measured(ring, kind, loose) for kind in filled)
    values = dict(zip(loose.labels, np.abs(loose.values).tolist(), strict=True))
    deviations = {label: values[label] / kind.mean - 1 for kind in kinds for label in kind.labels}
    task = _task(ring, kinds, deviations)
    rng = np.random.default_rng(seed)
    random = np.array([task.shuffled(rng) for _ in range(RANDOM)])
    order = best_placement(task, rng)
    labels = [label for kind in kinds for label in kind.labels]
    assignment = {i + 1: labels[k] for i, k in enumerate(order[: task.pockets].tolist())}
    used = set(assignment.values())
    return Sorting(
        title=study.title,
        path=loose.path,
        members=ring.magnets.members,
        assignment=assignment,
        left_over=tuple(label for label in loose.labels if label not in used),
        values=values,
        deviations=deviations,
        kinds=tuple(
            replace(k, chosen=float(np.mean([values[assignment[i]] for i in k.pockets]) / k.mean))
            for k in kinds
        ),
        figures=_figures(ring, task, random, order, rng),
        objective_before=float(np.mean([task.objective(one) for one in random])),
        objective_after=task.objective(order),
        kind=loose.kind,
        seed=seed,
        cautions=tuple(_cautions(ring, kinds, loose)),
    )


def _measured(ring: Ring, kind: Kind, loose: Loose) -> Kind:
    """Return a kind with what its readings tell; faults of readings far off."""
    mine = [label in set(kind.labels) for label in loose.labels]
    values = np.abs(loose.values[np.array(mine)])
    median, scale, unit = float(np.median(values)), *_unit(loose)
    if not median > 0:
        raise StudyError(
            [f"{loose.path}: readings of {kind.name} magnets must not be 0; got a median of 0 "
             f"{unit}; measure on the pole face"]
        )  # fmt: skip
    stop_at(
        [
            f"{loose.path}: {loose.kind} of magnet {echo(label)} must be within "
            f"{_OUTLIER * 100:g} % of the median of {kind.name} magnets, {median * scale:.4g} "
            f"{unit}; got {value * scale:.4g} {unit}; measure its pole face again, or empty its "
            "cell to leave it out: it is another magnet or grade, or another face"
            for label, value in zip(kind.labels, values, strict=True)
            if abs(value / median - 1) > _OUTLIER
        ]
    )
    mean = float(values.mean())
    return replace(
        kind,
        mean=mean,
        scatter=float(values.std(ddof=1) / mean) if len(values) > 1 else 0.0,
        remanence=float(remanence_of(ring.layout, first_family(ring.layout, kind), loose, mean)),
    )


def _unit(loose: Loose) -> tuple[float, str]:
    return (1.0, "T") if loose.kind == "remanence" else (1e3, "mT")


def _cautions(ring: Ring, kinds: tuple[Kind, ...], loose: Loose) -> Iterator[str]:
    layout = ring.layout
    if loose.skipped:
        rows = "row has" if loose.skipped == 1 else "rows have"
        yield f"{loose.skipped} {rows} no reading: these magnets are left out."
    if np.ptp(np.sign(loose.values)) > 0:
        yield (
            "Readings of both signs: the sign tells which pole was up, not how strong the magnet "
            "is, so magnitudes are compared."
        )
    if all(kind.scatter < 1e-12 for kind in kinds):
        yield "All readings of a kind are equal: any placement is as good."
    if len(kinds) > 1 and one_piece(layout, kinds):
        names = " and ".join(kind.name for kind in kinds)
        yield f"{names} are the same piece: with the column family left empty they sort better."
    for kind in kinds:
        grade = layout.grades[first_family(layout, kind)][0]
        low, high = grade.remanence_min, grade.remanence_max
        if kind.remanence < low * (1 - _OFF_GRADE) or kind.remanence > high * (1 + _OFF_GRADE):
            yield (
                f"The readings of {kind.name} magnets tell a remanence of {kind.remanence:.3g} T; "
                f"{grade.name} has {low:.4g} to {high:.4g} T: check probe, distance and grade."
            )


def _task(ring: Ring, kinds: tuple[Kind, ...], deviations: Mapping[str, float]) -> Task:
    """Return the assignment problem of a rotor and its magnets."""
    d = np.array([deviations[label] for kind in kinds for label in kind.labels])
    ends = np.cumsum([len(kind.labels) for kind in kinds])
    magnets = tuple(np.arange(end - len(k.labels), end) for k, end in zip(kinds, ends, strict=True))
    pockets = len(ring.magnets.members)
    places, spare = [], pockets
    for kind in kinds:
        more = len(kind.labels) - len(kind.pockets)
        mine = [*(number - 1 for number in kind.pockets), *range(spare, spare + more)]
        places.append(np.array(mine, dtype=np.int64))
        spare += more
    H, count = np.zeros((pockets, pockets)), 0
    for part in harms(ring).values():
        rows = np.hstack([part.real, part.imag])
        expected = sum(
            _expected(d[of], rows[at[at < pockets]]) for of, at in zip(magnets, places, strict=True)
        )
        if expected > 0:
            H += rows @ rows.T / expected
            count += 1
    return Task(H / max(count, 1), d, tuple(places), magnets)


def _expected(d: Array, rows: Array) -> float:
    """Mean of ``|d rows|^2`` over random draws without putting back (derived).

    Two of N numbers drawn so have the variance ``S^2 (1 - 1/N)`` each and the covariance
    ``-S^2/N``; about their mean, which is zero here.
    """
    if len(d) < 2:
        return 0.0
    total = (rows**2).sum() - (rows.sum(axis=0) ** 2).sum() / len(d)
    return float(d.var(ddof=1) * max(total, 0.0))


def _figures(
    ring: Ring, task: Task, random: NDArray[np.int64], order: Order, rng: np.random.Generator
) -> tuple[Change, ...]:
    """Figures of random placements, of the sorted one, and of that with readings in error."""
    response, pockets = ring.responses("along"), task.pockets

    def figures(d: Array) -> dict[str, Array]:
        return outcomes(ring, together([Drawn(d @ response)], ring, len(d)))

    placed = task.deviations[order[:pockets]][None]
    errors = rng.normal(0, REPEAT, (RANDOM, pockets))
    before = figures(task.deviations[random[:, :pockets]])
    after, doubtful = figures(placed), figures(placed + errors)
    edges = {name: np.percentile(before[name], (2.5, 97.5)) for name in FIGURES}
    return tuple(
        Change(
            name,
            mean=float(before[name].mean()),
            low=float(edges[name][0]),
            high=float(edges[name][1]),
            after=float(after[name][0]),
            doubtful=float(doubtful[name].mean()),
        )
        for name in FIGURES
    )
