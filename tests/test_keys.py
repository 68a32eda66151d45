"""Units and words of study keys, as pictures, tables and data files have them."""

import pytest

from arrayopt.study.keys import key_title, shown_unit, study_keys, unit_of

# Numbers that count, compare or divide like by like; all others have a unit in their name.
BARE = {
    "rotor.pole_pairs", "rotor.magnets_per_pole_pair", "rotor.skew_steps", "stator.slots",
    "stator.stacking_factor", "winding.turns_per_coil", "winding.enamel_grade",
    "winding.strands", "winding.layers", "winding.parallel_paths", "winding.coil_span_slots",
    "heat.rotor_rise_share", "joint.gear_ratio", "joint.gear_efficiency",
    "strength.bonded_share", "strength.safety_factor", "limits.slot_fill", "limits.wire_fill",
    "order.motors", "tolerance.rotors", "tolerance.seed", "search.trials", "search.seed",
    "materials.magnets.NAME.squareness", "materials.magnets.NAME.recoil_permeability",
}  # fmt: skip
OF_OTHER_KEYS = ("FIGURE", "KEY")  # bounds and steps in the unit of what they bound


def numbers():
    return [k.path for k in study_keys() if "number" in k.kind]


def test_every_number_has_a_unit_or_is_known_to_have_none():
    # exact: by hand
    without = {p for p in numbers() if unit_of(p) == "1"}
    assert {p for p in without if p.split(".")[-2] not in OF_OTHER_KEYS} == BARE
    assert {p for p in numbers() if not shown_unit(p)} == without


def test_words_have_no_unit():
    for key in study_keys():
        if "number" not in key.kind:
            assert unit_of(key.path) == "1", key.path
            assert "[" not in key_title(key.path)


@pytest.mark.parametrize(
    ("path", "unit", "title"),
    [
        ("rotor.length_mm", "mm", "Magnet length [mm]"),
        ("airgap.length_mm", "mm", "Airgap length [mm]"),
        ("rotor.main.width_mm", "mm", "Main magnet width [mm]"),
        ("rotor.oblique.span_deg", "degree", "Oblique magnet span [deg]"),
        ("heat.ambient_c", "degC", "Ambient temperature [C]"),
        ("strength.stiffness_n_per_mm", "N/mm", "Stiffness [N/mm]"),
        ("strength.overspeed_rpm", "rpm", "Overspeed [rpm]"),
        ("drive.voltage_v", "V", "Drive voltage [V]"),
        ("heat.run.current_a_rms", "A", "Heat run, current [A rms]"),
        ("heat.thermal_resistance_k_per_w", "K/W", "Thermal resistance [K/W]"),
        ("materials.magnets.N50.remanence_coefficient_percent_per_k", "percent/K",
         "N50 remanence coefficient [%/K]"),
        ("rotor.pole_pairs", "1", "Pole pairs"),
    ],
)  # fmt: skip
def test_unit_and_words(path, unit, title):
    assert (unit_of(path), key_title(path)) == (unit, title)


def test_words_tell_keys_apart():
    fixed = ("materials", "tolerance.limits", "search")  # tables by a name that the user gives
    paths = [k.path for k in study_keys() if not k.path.startswith(fixed)]
    paths += [p.replace("main", other) for p in paths if ".main." in p
              for other in ("transverse", "oblique")]  # fmt: skip
    titles = [key_title(path) for path in paths]
    assert len(set(titles)) == len(paths)
    for path, title in zip(paths, titles, strict=True):
        assert "_" not in title
        assert title[0].isupper()
        assert title.endswith(f" [{shown_unit(path)}]") == bool(shown_unit(path))
