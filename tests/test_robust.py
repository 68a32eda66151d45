"""What tolerances leave, as objective and limit of a search, and in a sweep."""

import numpy as np
import pytest
from searches import searched, space_text

from arrayopt.errors import StudyError
from arrayopt.evaluation import evaluate
from arrayopt.scatter.robust import ROBUST, robust_figures
from arrayopt.scatter.run import tolerance
from arrayopt.search import optimise
from arrayopt.variation import sweep

LOW, YIELD = "tolerance.torque_constant_low_nm_per_a", "tolerance.yield_percent"
SPACE = {"rotor.main.thickness_mm": [2.0, 2.5, 3.0], "airgap.length_mm": [0.6, 0.9, 1.2]}


def motor(torque=LOW, bounds=""):
    """The starter motor on a space of nine designs, with a limit on each rotor's torque."""
    return searched(
        space_text(SPACE),
        values={"tolerance.limits.torque_constant_percent.at_least": 96.0},
        keys=f'objectives = ["{torque}", "mass.rotor_g"]\n',
        bounds=bounds,
    )


def test_low_percentile_is_that_of_the_rotors():
    """Two draws of one distribution: the percentile of 400 rotors has an error of its own."""
    study = motor().with_values({"tolerance.rotors": 4000})
    scatter = tolerance(study).torque_constant
    many, deviation = np.percentile(scatter, 5), float(scatter.std())
    found = robust_figures(study, evaluate(study))
    assert found["torque_constant_low"] == pytest.approx(many, abs=4 * 2.1 * deviation / 20)
    assert 0 < found["tolerance_yield"] <= 1


def test_same_rotors_for_every_design():
    study = motor()
    results = evaluate(study)
    assert robust_figures(study, results) == robust_figures(study, results)
    # Twice the scatter, less of the torque is sure.
    wide = study.with_values({"tolerance.airgap_mm": 0.2})
    assert (
        robust_figures(wide, results)["torque_constant_low"]
        < robust_figures(study, results)["torque_constant_low"]
    )


def test_robust_front_is_the_best_of_the_space():
    """Independent: every design of a small space, judged one by one."""
    study = motor()
    found = optimise(study)
    assert found.whole
    grid = sweep(study, SPACE, figures=[LOW])
    low, mass = grid.torque_constant_low.values.ravel(), grid.rotor_mass.values.ravel()
    assert np.isfinite(low).all()
    front = [
        i for i in range(len(low))
        if not ((low >= low[i]) & (mass <= mass[i]) & ((low > low[i]) | (mass < mass[i]))).any()
    ]  # fmt: skip
    ours = np.sort(found.front.torque_constant_low.values)
    assert ours == pytest.approx(np.sort(low[front]), rel=1e-8)


def test_yield_as_a_limit_drives_the_gap_wider():
    """Thin magnets behind a narrow gap change most by the same error and miss the yield first."""
    free = optimise(motor("machine.torque_constant_nm_per_a"))
    held = optimise(motor("machine.torque_constant_nm_per_a", f'"{YIELD}" = {{ at_least = 93 }}\n'))
    assert (held.front.tolerance_yield.values >= 0.93).all()
    assert held.dataset()["airgap.length_mm"].min() > free.dataset()["airgap.length_mm"].min()


def test_yield_needs_limits():
    with pytest.raises(StudyError) as fault:
        searched(space_text(SPACE), keys=f'objectives = ["{YIELD}", "mass.rotor_g"]\n')
    assert "add [tolerance.limits]" in str(fault.value)


def test_evaluate_leaves_them_out():
    assert all(np.isnan(evaluate(motor())[name][0]) for name in ROBUST)
