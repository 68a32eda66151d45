"""A case small enough to judge whole: the truth that methods of search are measured against.

The ankle study with its sizes in steps of half a millimetre has 71 500 different designs,
of which about a third keep all limits. Everything here is judged by the real chain.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from arrayopt.evaluation import load_study
from arrayopt.fanout import team
from arrayopt.search.assess import Assessment, Goal, assess
from arrayopt.search.ranking import front, hypervolume
from arrayopt.search.space import Name, Space, space_of

ANKLE = Path(__file__).resolve().parent.parent / "studies/ankle/study.toml"
STEP = 0.5
_BATCH = 100


@dataclass(frozen=True)
class Case:
    """A space, all of its designs judged, and the hypervolume of its front."""

    space: Space
    goal: Goal
    truth: dict[Name, Assessment]
    reference: np.ndarray
    hypervolume: float

    def share(self, names: list[Name]) -> float:
        """Hypervolume that some designs reach, over that of all."""
        losses = [self.truth[name].losses for name in names if self.truth[name].feasible]
        return hypervolume(np.array(losses), self.reference) / self.hypervolume if losses else 0.0


def coarse_space() -> tuple[Space, Goal]:
    """Return the ankle study's space in coarse steps."""
    study = load_study(ANKLE)
    content = study.model_dump(exclude_unset=True)
    for key, variable in content["search"]["variables"].items():
        if key.endswith("_mm"):
            content["search"]["variables"][key] = variable | {"step": STEP}
    study = type(study).model_validate(content)
    return space_of(study), Goal(study)


def exhaustive_case() -> Case:
    """Judge every design of the coarse space on two processes."""
    space, goal = coarse_space()
    names = list(space.names())
    parts = [names[i : i + _BATCH] for i in range(0, len(names), _BATCH)]
    tasks = [[space.values(space.params(name)) for name in part] for part in parts]
    work = partial(assess, goal, np.empty((0, 2)))
    with team(workers=2) as spread:
        judged = [one for part in spread(work, tasks) for one in part]
    truth = dict(zip(names, judged, strict=True))
    losses = np.array([a.losses for a in judged if a.feasible])
    # No torque at the heaviest mass of all: what any design at all improves on.
    reference = np.array([0.0, losses[:, 1].max()])
    return Case(space, goal, truth, reference, hypervolume(losses, reference))


def describe(case: Case) -> str:
    """Say how large the case is."""
    losses = np.array([a.losses for a in case.truth.values() if a.feasible])
    return (
        f"{len(case.truth)} different designs, {len(losses)} keep all limits, "
        f"{len(front(losses))} on the front."
    )
