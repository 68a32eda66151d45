"""Searches of the starter study for tests, and how two of them are compared."""

import numpy as np

from arrayopt.layout import fit_faults
from arrayopt.machine import winding_faults
from arrayopt.search.run import BATCH
from arrayopt.study import parse_study, revised_text, starter_text

HEAD, VARIABLES = starter_text().split("[search.variables]\n")
CHECKS = (("rotor", fit_faults), ("stator", winding_faults))
WIDTH = '"rotor.main.width_mm" = { low = 3.0, high = 5.0 }\n'
THICK = '"rotor.main.thickness_mm" = { low = 1.5, high = 4.0 }\n'
PEAK = 'objectives = ["machine.peak_torque_nm", "mass.rotor_g"]\n'
THREE = 'objectives = ["machine.continuous_torque_nm", "mass.rotor_g", "mass.inertia_kg_mm2"]\n'


SMALL = {
    "rotor.pole_pairs": [13, 14],
    "rotor.magnets_per_pole_pair": [2, 4],
    "rotor.main.width_mm": [3.5, 4.5, 5.5, 8.5],
    "rotor.main.thickness_mm": [2.0, 3.5],
    "rotor.transverse.width_mm": [1.5, 2.5, 3.5],
}


def searched(variables=VARIABLES, *, values=None, keys="", bounds=""):
    """The starter study with another search, and some keys set."""
    text = f"{HEAD}{keys}\n[search.limits]\n{bounds}\n[search.variables]\n{variables}"
    return parse_study(revised_text(text, values or {}))


def same(one, other):
    """Whether two searches judged the same designs and found the same, without tolerance."""
    assert list(one.known.items()) == list(other.known.items())
    assert one.values == other.values
    assert one.picks == other.picks
    for f in one.objectives:
        np.testing.assert_array_equal(one.front[f.name].values, other.front[f.name].values)
    return True


def undominated(losses):
    """Rows that no other beats by more than rounding, by comparing all pairs."""
    slack = 1e-8 * np.abs(losses).max(axis=0)
    near = (losses[None] <= losses[:, None] + slack).all(axis=2)
    less = (losses[None] < losses[:, None] - slack).any(axis=2)
    return ~(near & less).any(axis=1)


def whole_batches(trials):
    """Designs that are judged where so many are asked for, if they last."""
    return -(-trials // BATCH) * BATCH


def space_text(space):
    return "".join(f'"{key}" = {{ choices = {values} }}\n' for key, values in space.items())
