"""Study files: reading, defaults, changing, writing back."""

import tomllib
import typing

import pydantic
import pytest

from arrayopt import assembly, compare, cut_list, evaluate, stray, strength, write_drawings
from arrayopt.checks.buildable import check_buildable
from arrayopt.errors import ArrayoptError, StudyError
from arrayopt.evaluation import load_study
from arrayopt.study import Study, parse_study, revised_text, starter_text
from arrayopt.study import load_study as load_file
from arrayopt.study.keys import key_named, key_table, study_keys
from arrayopt.study.models import relevant_magnets
from arrayopt.study.rules import contradictions
from arrayopt.study.section import Section
from arrayopt.study.sections import Arc, Block, Variable

LEAST = """
title = "least"
[rotor]
position = "outer"
pole_pairs = 7
magnets_per_pole_pair = 2
grade = "N42"
main = { shape = "arc", span_deg = 20, thickness_mm = 3 }
[airgap]
length_mm = 1
[stator]
kind = "ironless"
surface_diameter_mm = 60
stack_mm = 10
slots = 12
winding_thickness_mm = 3
coil_side_mm = 4
[winding]
turns_per_coil = 20
wire_diameter_mm = 0.5
"""


@pytest.fixture
def starter():
    return parse_study(starter_text())


def test_starter_fits(tmp_path):
    file = tmp_path / "study.toml"
    file.write_text(starter_text(), encoding="utf-8")
    study = load_study(file)
    check_buildable(study)
    assert study.text == starter_text()
    assert study == load_file(str(file))


def test_starter_says_what_its_text_says(starter):
    # exact: read again by the standard library
    content = tomllib.loads(starter_text())
    assert starter.model_dump(exclude_unset=True) == content


def test_defaults_are_those_of_the_key_table():
    study = parse_study(LEAST)
    assert study.heat is study.joint is study.search is None
    told = {key.path: key.default.strip("`") for key in study_keys()}
    for section in ("rotor", "carrier", "winding", "limits", "order"):
        part = getattr(study, section)
        for name in (
            set(type(part).model_fields) - part.model_fields_set - {"transverse", "oblique"}
        ):
            value, default = getattr(part, name), told[f"{section}.{name}"]
            assert value == (None if default == "-" else tomllib.loads(f"x = {default}")["x"])


def test_rotor_length_is_the_stacks_by_default():
    assert parse_study(LEAST).rotor_length_mm == 10
    assert parse_study(revised_text(LEAST, {"rotor.length_mm": 8.0})).rotor_length_mm == 8


def test_whole_numbers_do_for_numbers():
    assert parse_study(LEAST).rotor.main == Arc(shape="arc", span_deg=20.0, thickness_mm=3.0)


@pytest.mark.parametrize("path", ["title", "rotor.pole_pairs", "rotor.main.width_mm"])
def test_studies_are_frozen(starter, path):
    *tables, key = path.split(".")
    node = starter
    for name in tables:
        node = getattr(node, name)
    with pytest.raises(pydantic.ValidationError, match="frozen"):
        setattr(node, key, 1)


def sections(model=Study):
    found = {model}
    for field in model.model_fields.values():
        kinds = [field.annotation]
        while kinds:
            kind = kinds.pop()
            if isinstance(kind, type) and issubclass(kind, Section):
                found |= sections(kind)
            kinds += typing.get_args(kind)
    return found


def test_every_model_refuses_unknown_keys_nan_and_conversions():
    assert {Block, Arc, Variable} <= sections()
    for model in sections():
        config = model.model_config
        assert config["extra"] == "forbid"
        assert config["frozen"]
        assert config["strict"]
        assert not config["allow_inf_nan"]


def test_every_key_has_a_range_and_a_meaning():
    for key in study_keys():
        assert key.meaning, key.path
        assert key.default, key.path
        bounded = key.allowed or key.kind in ("text", "list") or ".KEY." in key.path
        bounded = bounded or ".FIGURE." in key.path  # of any figure
        assert bounded, f"{key.path} has no range"


def test_key_table_and_models_name_the_same_keys():
    rows = key_table().splitlines()[2:]
    listed = [row.split("|")[1].strip(" `") for row in rows]
    assert len(set(listed)) == len(listed)

    places = dict.fromkeys(("magnets", "plastics", "adhesives", "steels", "wires"), "NAME")
    places["variables"] = "KEY"

    def keys(model, prefix):
        for name, field in model.model_fields.items():
            inner = [m for m in sections() if m is not Study and m in _flat(field.annotation)]
            if not inner:
                yield f"{prefix}{name}"
            for part in inner:
                step = f"{name}.{places[name]}" if name in places else name
                limits = ("search.limits", "tolerance.limits")
                step = "limits.FIGURE" if f"{prefix}{name}" in limits else step
                yield from keys(part, f"{prefix}{step}.")

    named = {k.replace("transverse", "main").replace("oblique", "main") for k in keys(Study, "")}
    assert set(listed) == named


def _flat(annotation):
    parts = typing.get_args(annotation)
    return {annotation}.union(*map(_flat, parts)) if parts else {annotation}


@pytest.mark.parametrize(
    ("path", "allowed"),
    [
        ("rotor.transverse.width_mm", "from 0.3 to 100"),
        ("rotor.oblique.span_deg", "from 0.2 to 180"),
        ("search.variables.rotor.main.width_mm.step", "above 0"),
        ("stator.kind", '"slotted", "smooth", "ironless"'),
    ],
)
def test_key_named(path, allowed):
    assert key_named(path).allowed == allowed


def test_unknown_key_has_no_name():
    assert key_named("rotor.wal_mm") is None


@pytest.mark.parametrize(
    ("values", "path", "expected"),
    [
        ({"rotor.main.width_mm": 4.2}, "rotor.main.width_mm", 4.2),
        ({"rotor.pole_pairs": 10, "rotor.main.grade": "N52"}, "rotor.main.grade", "N52"),
        ({"winding.coil_span_slots": 2}, "winding.coil_span_slots", 2),
    ],
)
def test_with_values(starter, values, path, expected):
    changed = starter.with_values(values)
    node = changed
    for name in path.split("."):
        node = getattr(node, name)
    assert node == expected
    # exact: the text says what the study is
    assert parse_study(changed.text).model_dump() == changed.model_dump()
    assert starter == parse_study(starter_text())  # the first one stays as it was


def test_with_values_of_a_table_that_is_not_there():
    # exact: the table is made, with its defaults
    study = parse_study(LEAST).with_values({"carrier.skin_mm": 0.2})
    assert (study.carrier.skin_mm, study.carrier.material) == (0.2, "PETG")


@pytest.mark.parametrize(
    ("key", "value"), [("pole_pairs", 0), ("main.width_mm", "5"), ("wal_mm", 1.0)]
)
def test_with_values_checks(starter, key, value):
    with pytest.raises(StudyError, match=rf"rotor\.\S*{key.split('.')[-1]}"):
        starter.with_values({f"rotor.{key}": value})


def test_revised_text_changes_one_value_and_keeps_the_rest():
    text = revised_text(starter_text(), {"rotor.pole_pairs": 15, "rotor.main.width_mm": 4.25})
    old, new = starter_text().splitlines(), text.splitlines()
    changed = [(a, b) for a, b in zip(old, new, strict=True) if a != b]
    assert changed == [
        ("pole_pairs = 14", "pole_pairs = 15"),
        (
            'main = { shape = "block", width_mm = 5.0, thickness_mm = 3.0 }',
            'main = { shape = "block", width_mm = 4.25, thickness_mm = 3.0 }',
        ),
    ]


def test_revised_text_adds_keys_and_tables():
    text = revised_text(LEAST, {"rotor.wall_mm": 1.2, "carrier.material": "PLA"})
    study = parse_study(text)
    assert (study.rotor.wall_mm, study.carrier.material) == (1.2, "PLA")


def test_revised_text_and_with_values_agree(starter):
    values = {
        "rotor.pole_pairs": 13,
        "rotor.grade": "N52",
        "rotor.transverse.width_mm": 1.123456,
        "rotor.steel_ring_mm": 0.5,
    }
    revised = parse_study(revised_text(starter.text, values))
    assert revised.model_dump() == starter.with_values(values).model_dump()


@pytest.mark.parametrize(
    ("count", "names"),
    [
        (2, ("main",)),
        (3, ("main", "oblique")),
        (4, ("main", "transverse")),
        (5, ("main", "oblique")),
        (6, ("main", "oblique")),
        (8, ("main", "transverse", "oblique")),
        (12, ("main", "transverse", "oblique")),
    ],
)
def test_relevant_magnets(count, names):
    # exact: magnet k points 360 k/M deg; transverse where that is 90 deg, so 4 divides M
    assert relevant_magnets(count) == names


def test_later_checks_are_told_with_contradictions():
    text = revised_text(LEAST, {"rotor.grade": "N99"})
    checks = [
        (("stator",), lambda _: ["stator: too few"]),
        (("airgap", "rotor"), lambda _: ["rotor: too wide"]),
    ]
    with pytest.raises(StudyError) as told:
        parse_study(text, checks=checks)
    first, second = told.value.faults  # that of the rotor would follow from its own fault
    assert first.startswith("rotor.grade: unknown")
    assert second == "stator: too few"


def test_contradictions_of_a_sound_study(starter):
    assert contradictions(starter) == []
    assert contradictions(starter, partial=True) == []


def test_rules_that_lack_keys_are_passed_over():
    # A study without airgap: the rules about the gap cannot speak, the others do.
    study = Study.model_construct(**dict(parse_study(revised_text(LEAST, {"rotor.wall_mm": 1.0}))))
    broken = study.model_copy(
        update={"carrier": study.carrier.model_copy(update={"material": "WOOD"})}
    )
    del broken.__dict__["airgap"]
    with pytest.raises(AttributeError):
        contradictions(broken)
    assert [fault.split(":")[0] for fault in contradictions(broken, partial=True)] == [
        "carrier.material"
    ]


def test_faults_are_values_of_the_error():
    with pytest.raises(ArrayoptError, match=r"rotor\.grade: unknown") as told:
        parse_study(revised_text(LEAST, {"rotor.grade": "N99", "carrier.material": "WOOD"}))
    assert str(told.value).splitlines() == list(told.value.faults)
    assert isinstance(told.value, ValueError)
    assert len(told.value.faults) == 2


@pytest.mark.parametrize(
    ("key", "value"),
    [("carrier.lip_mm", 0.5), ("rotor.length_mm", 9.0), ("heat.carrier_limit_c", 60.0)],
)
def test_none_takes_a_key_out_of_the_file_too(starter, key, value):
    table, last = key.split(".")
    study = starter.with_values({key: value}).with_values({key: None})
    assert getattr(getattr(study, table), last) is None
    assert parse_study(study.text).model_dump() == study.model_dump()


@pytest.mark.parametrize("compute", [assembly, strength, stray, cut_list, compare, evaluate])
@pytest.mark.parametrize(
    ("key", "value", "told"),
    [("rotor.main.width_mm", 9.5, "overlap"), ("rotor.grade", "N99", "unknown magnet grade")],
)
def test_nothing_is_computed_of_what_cannot_be_built(starter, compute, key, value, told):
    with pytest.raises(StudyError, match=told):
        compute(starter.with_values({key: value}))


def test_nothing_is_drawn_of_what_cannot_be_built(starter, tmp_path):
    with pytest.raises(StudyError, match="overlap"):
        write_drawings(tmp_path, starter.with_values({"rotor.main.width_mm": 9.5}))
    assert not list(tmp_path.iterdir())
