"""Scattered rotors: unit responses, draws, figures, statistics."""

import dataclasses

import numpy as np
import pytest
from makers import make_study
from off_centre_waves import neighbour_waves

from arrayopt.errors import StudyError
from arrayopt.evaluation import evaluate
from arrayopt.field import ORDERS, solve_field
from arrayopt.field.pull import magnetic_pull
from arrayopt.figures import OUTCOMES
from arrayopt.layout import build_layout
from arrayopt.machine import flux_linkages
from arrayopt.scatter.outcomes import outcomes, pull, together
from arrayopt.scatter.run import interval, perfect, tolerance
from arrayopt.scatter.sources import SOURCES, Drawn, active_sources, draw, study_ring
from arrayopt.study import parse_study

NONE = {
    f"tolerance.{key}": 0.0
    for key in (
        "remanence_batch_percent", "remanence_percent", "angle_deg", "size_mm", "position_mm",
        "play_mm", "tilt_deg", "eccentricity_mm", "off_centre_mm", "oval_mm", "airgap_mm",
        "temperature_k",
    )
}  # fmt: skip


def ring_of(study):
    return study_ring(study, solve_field(build_layout(study), orders=ORDERS))


def small(**values):
    """A motor of 28 magnets, quick to compute."""
    fill = {"main": 0.8, "transverse": 0.6, "oblique": 0.7}
    given = {"pole_pairs": 7, "diameter": 60.0, "fill": fill}
    kinds = {k: values.pop(k) for k in ("position", "kind", "magnets_per_pole_pair") if k in values}
    return make_study(**(given | kinds), values={"stator.slots": 12, **values})


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("ring_mm", [0.0, 1.5])
def test_moved_magnets_are_a_moved_stator(position, ring_mm):
    """Exact in two dimensions: a rotor moved is a stator moved the other way.

    One side moves every magnet and the ring; the other only knows the perfect ring's field.
    """
    study = small(position=position, **{
        "rotor.steel_ring_mm": ring_mm, "stator.stack_mm": 200.0, "rotor.length_mm": 200.0,
    })  # fmt: skip
    ring = ring_of(study)
    b = ring.magnets.perfect
    N = len(b)
    for d, part in ((1, 0), (1j, 1)):
        moved = ring.moved[part][:N]
        up, down = neighbour_waves(ring.field, ring.magnets.waves)
        stator = np.zeros_like(b)
        stator[1:] -= np.conj(d) * (up * b)[:-1]
        stator[:-1] -= d * (down * b)[1:]
        # Long magnets still have ends: a percent.
        assert np.abs(moved - stator).max() < 0.016 * np.abs(stator).max()


def test_pull_of_an_off_centre_rotor():
    """Independent of `magnetic_pull`: stress on waves of the moved magnets; long magnets."""
    study = small(**{"stator.stack_mm": 200.0, "rotor.length_mm": 200.0})
    ring = ring_of(study)
    force = pull(ring, ring.parts(ring.perfect + 1e-5 * ring.moved[0])[0][None])[0]
    assert abs(force) == pytest.approx(magnetic_pull(ring.field)[0] * 1e-5, rel=0.02)
    # The stator is pulled towards the side that the magnets left: the rotor's gap closes there.
    assert force.real < 0
    assert abs(force.imag) < 1e-6 * abs(force)


@pytest.mark.parametrize("kind", ["slotted", "smooth", "ironless"])
@pytest.mark.parametrize("magnets_per_pole_pair", [2, 4, 6])
def test_perfect_ring_is_the_evaluated_one(kind, magnets_per_pole_pair):
    """Two routes of ours: graded panels of one pole pair, and even points round the circle."""
    values = {
        "slotted": {"stator.slot_opening_mm": 3.0, "stator.tooth_width_mm": 6.0},
        "smooth": {"stator.winding_thickness_mm": 0.8, "stator.coil_side_mm": 4.0},
        "ironless": {"stator.winding_thickness_mm": 0.8, "stator.coil_side_mm": 4.0},
    }[kind]
    study = small(kind=kind, magnets_per_pole_pair=magnets_per_pole_pair, **values)
    ring = ring_of(study)
    p = study.rotor.pole_pairs
    linked = ring.linkages * ring.magnets.perfect_seen
    kernel = flux_linkages(ring.layout, ring.field)[:, 0]
    assert np.abs(linked[:, p - 1]) == pytest.approx(kernel[0], rel=1e-4)
    assert abs(linked[0, 5 * p - 1]) == pytest.approx(abs(kernel[4]), abs=2e-5 * kernel[0])
    turned = np.angle(linked[:, p - 1] / linked[0, p - 1], deg=True)
    assert np.sort(turned) == pytest.approx([-120, 0, 120], abs=1e-6)


def test_nothing_off_is_the_design():
    """Exact."""
    study = small()
    found, design = perfect(ring_of(study)), evaluate(study)
    assert found["torque_constant"] == pytest.approx(float(design.torque_constant[0]), rel=1e-9)
    assert found["torque_share"] == pytest.approx(1, abs=1e-12)
    phase = float(design.back_emf_constant[0]) / np.sqrt(3)
    assert found["emf_a"] == pytest.approx(phase, rel=2e-3)  # rms of all waves, not of one
    assert found["least_gap"] == pytest.approx(study.clearance_mm * 1e-3)
    for name in ("imbalance", "beat", "stray_waves"):
        assert found[name] == 0
    assert found["pull"] < 1e-9


def test_magnets_alone_cannot_unbalance_the_phases():
    """Exact: each phase is another turned by whole slots, so it sees the same turn later."""
    study = small().with_values(NONE | {"tolerance.remanence_percent": 10.0})
    found = tolerance(study.with_values({"tolerance.rotors": 200}))
    assert float(found.imbalance.max()) == 0
    assert float(found.beat.min()) > 0


def test_off_centre_stator_unbalances_phases_on_one_side():
    """9 slots and 8 poles: each phase's coils stand together; 12 and 10 have them opposite too."""
    lone = NONE | {"tolerance.off_centre_mm": 0.3, "tolerance.rotors": 200}
    one_sided = small(**{"stator.slots": 9}).with_values(lone | {"rotor.pole_pairs": 4})
    opposite = small().with_values(lone | {"rotor.pole_pairs": 5})
    assert float(tolerance(one_sided).imbalance.median()) > 0.005
    assert float(tolerance(opposite).imbalance.max()) == 0


def test_each_source_does_what_its_name_says():
    """Exact signs and orders of simple cases."""
    study = small()
    ring = ring_of(study)
    rng = np.random.default_rng(1)
    N, p = len(ring.magnets.waves), study.rotor.pole_pairs
    for source in active_sources(study):
        drawn = draw(ring, source, 50, rng)
        b = np.abs(drawn.waves[:, :N]).max(axis=0)
        whole = {"remanence_batch", "temperature", "airgap"}
        if source in whole:
            assert b[np.arange(N) % p != p - 1].max() < 1e-12
            assert b[p - 1] > 0
        if source == "eccentricity":
            assert b[[p - 2, p]].max() > 10 * b[p - 1]
        if source == "oval":
            assert b[[p - 3, p + 1]].max() > 10 * b[p - 1]
        if source == "off_centre":
            assert b.max() == 0
            assert np.abs(drawn.stator).max() > 0
    assert "mistakes" not in active_sources(study)


def test_a_wider_gap_weakens():
    """Exact sign: magnets farther out, less torque, more air."""
    study = small()
    ring = ring_of(study)
    every = np.ones(len(ring.magnets.members))
    added = ring.pattern(radial=every, tangential=0 * every)[None] * 1e-4
    found = outcomes(ring, together([Drawn(added, radial=np.array([[1e-4]]))], ring, 1))
    assert float(found["torque_share"][0]) < 0.995
    assert found["least_gap"][0] == pytest.approx(study.clearance_mm * 1e-3 + 1e-4)


def test_airgap_is_that_of_another_study():
    """Independent of the responses: the same rotor evaluated with another airgap."""
    study = small()
    ring = ring_of(study)
    every = np.ones(len(ring.magnets.members))
    added = ring.pattern(radial=every, tangential=0 * every)[None] * 1e-4
    share = outcomes(ring, together([Drawn(added)], ring, 1))["torque_share"][0]
    farther = evaluate(study.with_values({"airgap.length_mm": 1.1}))
    near = evaluate(study)
    expected = float(farther.torque_constant[0] / near.torque_constant[0])
    assert 1 - share == pytest.approx(1 - expected, rel=0.05)


def test_missing_flipped_and_swapped():
    """Exact: a missing magnet takes its share, a flipped one twice that."""
    study = small()
    ring = ring_of(study)
    main = ring.magnets.members.index(next(m for m in ring.magnets.members if m.family == "main"))
    p = study.rotor.pole_pairs
    along = ring.magnets.surface[main, 0]
    share = (along[p - 1] / ring.magnets.perfect[p - 1]).real
    # One of 14 main magnets, which carry most of the field.
    assert 0.5 / 14 < share < 1 / 14
    lot = study.with_values(NONE | {"tolerance.flipped_percent": 5.0, "tolerance.rotors": 2000})
    found = tolerance(lot)
    assert list(found.source.values) == ["mistakes"]
    # All magnets carry as much as they are: 5 % flipped leave 90 %.
    assert float(found.torque_share.mean()) == pytest.approx(0.9, abs=0.01)
    swapped = study.with_values(NONE | {"tolerance.swapped_percent": 5.0, "tolerance.rotors": 2000})
    assert float(tolerance(swapped).torque_share.mean()) == pytest.approx(0.95, abs=0.01)


def test_statistics_of_the_torque_constant():
    """Independent: the spread of one linear source, by its response; 3 % is the sample's own."""
    study = small().with_values(NONE | {"tolerance.remanence_percent": 4.0})
    ring = ring_of(study)
    found = tolerance(study)
    p = study.rotor.pole_pairs
    each = (ring.magnets.surface[:, 0, p - 1] / ring.magnets.perfect[p - 1]).real
    assert float(found.torque_share.std()) == pytest.approx(0.02 * np.linalg.norm(each), rel=0.03)
    row = found.sel(figure="torque_share")
    assert float(row.value_low[1]) < float(row.value[1]) < float(row.value_high[1])
    assert float(row.variance_share.sum()) == pytest.approx(1)


def test_variance_shares_are_variances():
    """Published: variances of independent linear sources add up (handbook, from memory)."""
    limits = {"tolerance.remanence_percent": 4.0, "tolerance.airgap_mm": 0.1}
    study = small().with_values(NONE | limits)
    both = tolerance(study)
    lone = {
        key: float(tolerance(small().with_values(NONE | {key: value})).torque_share.var())
        for key, value in limits.items()
    }
    assert float(both.torque_share.var()) == pytest.approx(sum(lone.values()), rel=0.06)
    shares = both.variance_share.sel(figure="torque_share")
    expected = lone["tolerance.airgap_mm"] / sum(lone.values())
    assert float(shares.sel(source="airgap")) == pytest.approx(expected, abs=0.03)


def test_same_seed_same_rotors_and_more_rotors_keep_the_first():
    """Exact."""
    study = small().with_values({"tolerance.rotors": 1000})
    one, two = tolerance(study), tolerance(study)
    assert one.identical(two)
    more = tolerance(study.with_values({"tolerance.rotors": 1200}))
    # Streams are those of a block, whatever the number of blocks.
    assert np.array_equal(more.pull.values[:1000], one.pull.values)
    other = tolerance(study.with_values({"tolerance.seed": 2}))
    assert not np.array_equal(other.pull.values, one.pull.values)


def test_yield_counts_rotors_within_limits():
    """Exact: the share of rotors between bounds, and an interval round it."""
    limits = """
[tolerance.limits]
"torque_constant_percent" = { at_least = 98.0 }
"magnetic_pull_n" = { at_most = 6.0 }
"""
    study = parse_study(small().text + limits)
    found = tolerance(study)
    kept = (found.torque_share >= 0.98) & (found.pull <= 6.0)
    assert 0.1 < float(found["yield"]) < 0.9
    assert float(found["yield"]) == float(kept.mean())
    assert float(found.yield_low) < float(found["yield"]) < float(found.yield_high)


def test_joints_spread_less_than_rotors():
    """Motors of one order share batch and temperature; the range of two is 1.13 deviations.

    Published: the mean range of two normal numbers, 1.128 deviations (d2 of control charts,
    from memory).
    """
    study = small().with_values(NONE | {
        "tolerance.remanence_percent": 4.0, "tolerance.remanence_batch_percent": 5.0,
        "order.motors": 2,
    })  # fmt: skip
    found = tolerance(study).sel(figure="torque_share")
    own = float(tolerance(study.with_values({"tolerance.remanence_batch_percent": 0.0}))
                .torque_share.std())  # fmt: skip
    assert float(found.joint_spread) == pytest.approx(1.128 * own, rel=0.1)
    assert float(found.deviation) > 3 * own


def test_interval_covers():
    """Published: 95 % of such intervals hold the true percentile; 300 tries, so 92 to 98."""
    rng = np.random.default_rng(2)
    true = -1.6448536
    held = 0
    for _ in range(300):
        low, high = interval(rng.standard_normal(500), 5)
        held += low <= true <= high
    assert 0.92 < held / 300 <= 1


def test_unknown_limit_is_told():
    with pytest.raises(StudyError) as fault:
        parse_study(small().text + '[tolerance.limits]\n"magnetic_pull" = { at_most = 3.0 }\n')
    assert 'tolerance.limits."magnetic_pull"' in str(fault.value)
    assert "magnetic_pull_n" in str(fault.value)


def test_every_source_and_figure_has_a_name():
    assert all(label for label in SOURCES.values())
    assert len({f.key for f in OUTCOMES}) == len(OUTCOMES)


def test_rows_of_a_skewed_rotor_cancel_cogging_and_keep_the_pull():
    """Exact: rows half a period of cogging apart; each row is pulled as if it were all."""
    cogs = {"stator.slots": 36, "rotor.pole_pairs": 12, "stator.slot_opening_mm": 2.0,
            "stator.tooth_width_mm": 2.0}  # fmt: skip
    whole = small(kind="slotted", **cogs)
    skewed = whole.with_values({"rotor.skew_steps": 2, "rotor.skew_step_deg": 2.5})
    found, straight = perfect(ring_of(skewed)), perfect(ring_of(whole))
    assert straight["cogging_twice"] > 0.01
    assert found["cogging_twice"] < 1e-9
    pulls = []
    iron = {"rotor.steel_ring_mm": 1.5}
    for study in (whole, skewed, whole.with_values(iron), skewed.with_values(iron)):
        ring = ring_of(study)
        waves = ring.perfect + 1e-5 * ring.moved[0]
        pulls.append(abs(pull(ring, ring.parts(waves)[0][None])[0]))
    assert pulls[1] == pytest.approx(pulls[0], rel=1e-6)
    assert pulls[3] == pytest.approx(pulls[2], rel=1e-6)
    assert pulls[2] > 1.02 * pulls[0]


@pytest.mark.parametrize("pole_pairs", [5, 40, 70])
def test_beat_of_two_waves(pole_pairs):
    """Exact: a wave of 2 % beside the pole pairs' one makes the amplitude swing by 2 %."""
    study = small(**{"stator.slots": 3 * pole_pairs, "rotor.pole_pairs": pole_pairs})
    ring = ring_of(study)
    N, p = len(ring.magnets.waves), pole_pairs
    K = ring.linkages[0]
    # Such a winding links whole pole pairs only; any other stands in for it.
    fake = dataclasses.replace(ring)
    fake.__dict__["linkages"] = np.tile(np.abs(K[p - 1]) / ring.magnets.waves, (3, 1))
    waves = np.zeros((1, len(ring.perfect)), dtype=complex)
    waves[0, -N:][p] = 0.02 * ring.magnets.perfect_seen[p - 1]
    found = outcomes(fake, together([Drawn(waves)], fake, 1))
    assert found["beat"][0] == pytest.approx(0.02, rel=0.02)
    assert perfect(fake)["beat"] == 0


def test_static_and_turning_shifts_pull_alike():
    """Two routes through the outcomes: the ring off its shaft, and the shaft off the stator."""
    ring = ring_of(small())
    angle = ring.magnets.angles
    moved = Drawn(1e-5 * ring.moved[:1], radial=1e-5 * np.cos(angle)[None])
    still = Drawn(0 * ring.perfect[None], stator=np.array([1e-5 + 0j]))
    turning, standing = (outcomes(ring, together([one], ring, 1)) for one in (moved, still))
    assert standing["pull"][0] == pytest.approx(turning["pull"][0], rel=1e-3)
    assert standing["least_gap"][0] == pytest.approx(turning["least_gap"][0], abs=1e-7)


def test_a_minimum_is_exceeded():
    """Exact: batches lie about the middle of the grade's range, whatever a study counts on."""
    study = small(**{"rotor.remanence": "minimum"})
    grade = study.magnet_grade(study.rotor.grade)
    middle = (grade.remanence_min + grade.remanence_max) / 2 / grade.remanence
    assert middle > 1.01
    assert float(tolerance(study).torque_share.mean()) == pytest.approx(middle, abs=2e-3)


def test_ends_of_an_interval_that_are_not_known():
    low, high = interval(np.arange(200.0), 1)
    assert np.isnan(low)
    assert high == 5.0
