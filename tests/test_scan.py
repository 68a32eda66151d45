"""Scans of bare rotors: level, start, offsets, and which magnet is wrong."""

import numpy as np
import pytest
from disturbed_array import disturbed_array, stack_mean_waves
from makers import make_study

from arrayopt.errors import StudyError
from arrayopt.field import ORDERS, solve_field
from arrayopt.field.members import DEVIATIONS
from arrayopt.layout import build_layout
from arrayopt.measurement.faults import KINDS, find_wrong, gaussian_problem, hypotheses, visible
from arrayopt.measurement.records import Scan
from arrayopt.measurement.scan import bare_field, fit_scan, scan_model, scan_radius

ANGLE = np.radians(np.arange(0, 360, 1.0))
STUDY = make_study(
    pole_pairs=7, diameter=60.0, fill={"main": 0.8, "transverse": 0.6},
    values={"stator.slots": 12, "rotor.clearance_mm": 0.1, "tolerance.play_mm": 0.05,
            "tolerance.position_mm": 0.05},
)  # fmt: skip
RADIUS = 30e-3


@pytest.fixture(scope="module")
def model():
    return scan_model(STUDY, radius=RADIUS, height=0.0)


def real_scan(wrong=(), *, seed=1, noise=2e-3, start=0.01, offset=2e-3, gain=1.02, moved=1e-4,
              angle=ANGLE, scatter=1.0):  # fmt: skip
    """A scan by magpylib of magnets moved, turned and weakened one by one; nothing is linear.

    ``wrong`` by member index is along and across.
    """
    rng = np.random.default_rng(seed)
    field = bare_field(STUDY)
    J = dict(zip([f.name for f in field.layout.families], field.polarisation[:, 0], strict=True))
    members = scan_model(STUDY, radius=RADIUS, height=0.0).members
    count = len(members)
    sizes = (0.01, 0.026, 3.5e-5, 3.5e-5, 8e-3, 2e-5, 2e-5, 2e-5)
    off = {d: scatter * rng.normal(0, s, count) for d, s in zip(DEVIATIONS, sizes, strict=True)}
    turn = np.array([m.angle for m in members])
    off["radial"] += moved * np.cos(turn)
    off["tangential"] -= moved * np.sin(turn)
    for i, (along, across) in dict(wrong).items():
        off["along"][i] += along
        off["across"][i] += across
    places = np.array([m.place for m in members])
    by_place = {d: np.empty(count) for d in off}
    for d, values in off.items():
        by_place[d][places] = values
    waves = stack_mean_waves(
        disturbed_array(STUDY, J, by_place), radius=RADIUS, stack=1e-9, waves=500, samples=1024,
        planes=1, mean=True,
    )  # fmt: skip
    n = np.arange(501)
    first = 2 * np.pi * places[0] / count
    B = (np.exp(1j * np.outer(angle - start + first, n)) @ waves).real
    flux = gain * B + offset + rng.normal(0, noise, len(angle))
    return Scan("scan.csv", 0, angle, flux, RADIUS), off


def test_good_rotor_is_good(model):
    """Independent of the model: direct evaluation of a rotor within its tolerances."""
    scan, off = real_scan()
    fit = fit_scan(model, scan)
    assert fit.wrong == ()
    assert fit.seen.all()
    assert not fit.inverted
    # Every standard uncertainty holds: level, start, offset, eccentricity.
    level, sd = fit.level
    assert level == pytest.approx(1.02 * (1 + off["along"].mean()), abs=4 * sd + 2e-3)
    assert fit.start == pytest.approx(0.01, abs=4 * fit.shared["turn"][1] + 1e-4)
    assert fit.shared["offset"][0] == pytest.approx(2e-3, abs=4 * fit.shared["offset"][1])
    assert fit.shared["moved x"][0] == pytest.approx(1e-4, abs=4 * fit.shared["moved x"][1] + 5e-6)
    assert abs(fit.shared["moved y"][0]) < 4 * fit.shared["moved y"][1] + 5e-6
    error = (fit.magnets[:, 0] - off["along"] + off["along"].mean()) / fit.uncertain[:, 0]
    assert np.sqrt(np.mean(error**2)) < 1.5
    # What is told of a magnet is nearer than what was known before.
    assert np.median(fit.uncertain[:, 0]) < 0.01


@pytest.mark.parametrize("kind", list(KINDS))
@pytest.mark.parametrize("index", [0, 3])
def test_one_wrong_magnet_is_named(model, kind, index):
    """Direct evaluation: a main and a transverse magnet, each way of being wrong."""
    scan, _ = real_scan({index: KINDS[kind]}, seed=index + 2)
    fit = fit_scan(model, scan)
    offset, sd = fit.shared["offset"]
    assert offset == pytest.approx(2e-3, abs=4 * sd + 2e-4)
    assert [(one.members, one.kind) for one in fit.wrong] == [((index,), kind)]
    assert fit.wrong[0].instead == ()


@pytest.mark.parametrize("share", [-0.4, -0.25])
def test_weak_magnet_is_named_with_how_weak(model, share):
    scan, _ = real_scan({6: (share, 0.0)})
    (one,) = fit_scan(model, scan).wrong
    assert (one.members, one.kind) == ((6,), "weak")
    assert one.jumps[0][0] == pytest.approx(share, abs=0.05)


def test_swapped_neighbours(model):
    """A main and a transverse magnet exchanged: each lies a quarter turn off."""
    scan, _ = real_scan({4: (-1.0, 1.0), 5: (-1.0, 1.0)})
    fit = fit_scan(model, scan)
    assert [(one.members, one.kind) for one in fit.wrong] == [((4, 5), "swapped")]


def test_two_wrong_at_once_and_neighbours(model):
    for wrong in ({3: (-2.0, 0.0), 17: (-1.0, 0.0)}, {8: (-2.0, 0.0), 9: (-1.0, 0.0)}):
        fit = fit_scan(model, real_scan(wrong)[0])
        found = {one.members[0]: one.kind for one in fit.wrong}
        assert found == {i: "flipped" if a == -2 else "missing" for i, (a, _) in wrong.items()}


def test_half_a_scan_names_what_it_sees(model):
    half = ANGLE[(np.radians(20) < ANGLE) & (np.radians(200) > ANGLE)]
    seen = next(i for i, m in enumerate(model.members) if np.radians(100) < m.angle)
    hidden = next(i for i, m in enumerate(model.members) if np.radians(300) < m.angle)
    scan, _ = real_scan({seen: (-2.0, 0.0), hidden: (-2.0, 0.0)}, angle=half)
    fit = fit_scan(model, scan)
    assert [(one.members, one.kind) for one in fit.wrong] == [((seen,), "flipped")]
    assert not fit.seen[hidden]
    assert 0.4 < fit.seen.mean() < 0.6


@pytest.mark.parametrize("start", [0.3, 2.0, 5.5])
def test_unknown_start_numbers_from_the_nearest(model, start):
    """The ring repeats, so numbers shift by whole pole pairs; the place in the scan does not."""
    index = 10
    scan, _ = real_scan({index: (-1.0, 0.0)}, start=start)
    scan = Scan("scan.csv", 0, scan.angle, scan.flux, RADIUS, start="unknown")
    fit = fit_scan(model, scan)
    (one,) = fit.wrong
    assert one.kind == "missing"
    where = model.members[one.members[0]].angle + fit.start
    expected = model.members[index].angle + start
    assert np.angle(np.exp(1j * (where - expected))) == pytest.approx(0, abs=2e-3)
    assert abs(fit.start) <= np.pi / 7 + 1e-9


def test_clockwise_and_inverted_probe(model):
    scan, _ = real_scan({10: (-1.0, 0.0)}, start=0.0)
    mirrored = Scan("s", 0, -scan.angle, scan.flux, RADIUS, clockwise=True)
    assert fit_scan(model, mirrored).wrong[0].members == (10,)
    turned = fit_scan(model, Scan("s", 0, scan.angle, -scan.flux, RADIUS))
    assert turned.inverted
    assert turned.wrong[0].members == (10,)


def test_level_of_a_weak_batch(model):
    """Exact: all magnets weaker is a level and no magnet's fault."""
    scan, _ = real_scan(gain=0.9)
    fit = fit_scan(model, scan)
    assert fit.wrong == ()
    assert fit.level[0] == pytest.approx(0.9, abs=3 * fit.level[1])
    assert fit.level[1] < 0.05


def test_many_samples_are_grouped(model):
    fine = np.linspace(0, 2 * np.pi, 20000, endpoint=False)
    scan, _ = real_scan({5: (-2.0, 0.0)}, angle=fine[::2])
    fit = fit_scan(model, scan)
    assert [one.members for one in fit.wrong] == [(5,)]
    assert len(fit.angle) == 4000


def test_wrong_scans_are_told(model):
    flat = Scan("scan.csv", 0, ANGLE, 0.01 * np.ones_like(ANGLE), RADIUS)
    with pytest.raises(StudyError, match=r"scan.csv: no 7 pole pairs a turn"):
        fit_scan(model, flat)
    inside = Scan("scan.csv", 0, ANGLE, ANGLE, 32e-3)
    with pytest.raises(StudyError, match=r"outside the magnets \(31 to 34"):
        scan_radius(STUDY, inside)
    behind = Scan("scan.csv", 0, ANGLE, ANGLE, 40e-3)
    assert scan_radius(STUDY, behind) == 40e-3
    ringed = STUDY.with_values({"rotor.steel_ring_mm": 1.5})
    with pytest.raises(StudyError, match="gap side of a rotor with a steel ring"):
        scan_radius(ringed, behind)


def test_too_coarse_a_scan_is_told(model):
    few = np.radians(np.arange(0, 360, 20.0))
    with pytest.raises(StudyError, match="at least 4 readings in each of the 7 pole pairs"):
        fit_scan(model, Scan("s", 0, few, 0.3 * np.cos(7 * few), RADIUS))


@pytest.mark.parametrize("width", [1e-3, 2e-3])
def test_a_sensor_has_a_width(model, width):
    """Exact: the mean over the element damps each wave by sinc; no magnet is to blame."""
    n = model.n
    damped = model.perfect * np.sinc(n * width / (2 * np.pi * RADIUS))
    flux = (np.exp(1j * np.outer(ANGLE, n)) @ damped).real
    fit = fit_scan(model, Scan("s", 0, ANGLE, flux, RADIUS))
    assert fit.wrong == ()
    damping = np.sinc(7 * width / (2 * np.pi * RADIUS))
    assert fit.level[0] == pytest.approx(damping, abs=3 * fit.level[1])


def test_outer_surface_of_the_rotor():
    """The other side of an array is weak, and still tells its magnets apart."""
    far = scan_model(STUDY, radius=35.5e-3, height=0.0)
    near = scan_model(STUDY, radius=RADIUS, height=0.0)
    p = STUDY.rotor.pole_pairs
    assert abs(far.perfect[p]) < 0.6 * abs(near.perfect[p])
    expected, A = far.at(ANGLE)
    flux = expected - 2 * A[:, 9] + np.random.default_rng(1).normal(0, 1e-3, len(ANGLE))
    fit = fit_scan(far, Scan("s", 0, ANGLE, flux, 35.5e-3))
    assert [(one.members, one.kind) for one in fit.wrong] == [((9,), "flipped")]


def test_rows_of_a_skewed_rotor():
    """A circle at a row's height sees that row; the rotor as a whole is the sum of its rows."""
    skewed = STUDY.with_values({"rotor.skew_steps": 2, "rotor.skew_step_deg": 3.0})
    low = scan_model(skewed, radius=RADIUS, height=-3e-3)
    rows = np.array([m.row for m in low.members])
    p = skewed.rotor.pole_pairs
    one, two = (np.abs(low.waves[rows == r][:, 0].sum(axis=0)[p]) for r in (1, 2))
    assert one > 4 * two
    level = scan_model(skewed, radius=RADIUS, height=0.0)
    one, two = (np.abs(level.waves[rows == r][:, 0].sum(axis=0)[p]) for r in (1, 2))
    assert one == pytest.approx(two, rel=1e-9)


@pytest.mark.parametrize("ring_mm", [0.0, 1.5])
def test_probe_in_the_airgap(ring_mm):
    """Two routes of ours: the kernel's harmonics in the gap, and every magnet by itself."""
    study = make_study(
        pole_pairs=7, diameter=60.0, fill={"main": 0.8, "transverse": 0.6}, length=250.0,
        stack=250.0, values={"rotor.steel_ring_mm": ring_mm},
    )  # fmt: skip
    p, field = 7, solve_field(build_layout(study), orders=ORDERS)
    model = scan_model(study, radius=30.5e-3, height=0.0, in_place=True)
    expected = np.abs(field.harmonics_at(np.array([30.5e-3]))[[0, 2], 0])
    # Continued in two dimensions from means over the stack, or at mid-length: ends of 250 mm.
    found = np.abs(model.perfect[[p, 3 * p]])
    assert found == pytest.approx(expected, abs=3e-3 * expected[0])
    # On the iron itself the field is twice that of the magnets alone.
    on_iron = scan_model(study, radius=30e-3, height=0.0, in_place=True).perfect
    if not ring_mm:
        alone = solve_field(build_layout(study), orders=ORDERS).free[0, 0]
        assert abs(on_iron[p]) == pytest.approx(2 * abs(alone), rel=5e-3)
    wrong = model.at(ANGLE)[0] - 2 * model.at(ANGLE)[1][:, 5]
    scan = Scan("s", 0, ANGLE, wrong, 30.5e-3, stator="in place")
    assert scan_radius(study, scan) == 30.5e-3
    assert [one.members for one in fit_scan(model, scan).wrong] == [(5,)]
    with pytest.raises(StudyError, match=r"in the airgap \(30 to 31 mm\)"):
        scan_radius(study, Scan("s", 0, ANGLE, wrong, 29e-3, stator="in place"))


def test_algebra_of_the_problem():
    """Independent: scores and weights by the full covariance, without Woodbury."""
    rng = np.random.default_rng(5)
    A, variance, noise = rng.normal(size=(30, 8)), rng.uniform(0.5, 2, 8), 0.3
    y = rng.normal(size=30)
    found = gaussian_problem(y, A, variance=variance, noise=noise)
    S = A @ np.diag(variance) @ A.T + noise**2 * np.eye(30)
    assert found.score == pytest.approx(A.T @ np.linalg.solve(S, y), rel=1e-9)
    assert found.weight == pytest.approx(A.T @ np.linalg.solve(S, A), rel=1e-8)
    mean, sd = found.posterior(np.zeros(8))
    P = np.linalg.inv(A.T @ A / noise**2 + np.diag(1 / variance))
    assert mean == pytest.approx(P @ A.T @ y / noise**2, rel=1e-9)
    assert sd == pytest.approx(np.sqrt(np.diag(P)), rel=1e-9)


def test_nothing_is_found_in_noise():
    """Exact: a magnet that measurements do not reach is neither judged nor blamed."""
    count = 5
    A = np.random.default_rng(1).normal(size=(40, 2 * count)) * 1e-3
    problem = gaussian_problem(np.zeros(40), A, variance=np.full(2 * count, 1e-4), noise=1.0)
    suspects = hypotheses({(0, 1): [(1.5, -1.5)]}, count)
    assert find_wrong(problem, suspects, count) == []
    assert not visible(problem, count).any()
