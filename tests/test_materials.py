"""Data files row by row, magnetisation curves, loss figures, and materials of the user's own."""

from __future__ import annotations

import dataclasses
import re
from itertools import pairwise

import numpy as np
import pytest
from click.testing import CliRunner
from makers import make_study

from arrayopt.cli import commands
from arrayopt.evaluation import evaluate
from arrayopt.materials import (
    magnet_grade,
    magnet_grades,
    overall_diameter,
    plastic,
    sheets,
    steel,
    steels,
)
from arrayopt.materials.rows import read_rows
from arrayopt.quantities import MU0
from arrayopt.study import contradictions, starter_text

# Guaranteed coercivity HcJ [kA/m] by suffix letter: trade usage (plain letter seen, others from
# memory); N50 and N52 without a letter guarantee 876 (seen).
LETTERS = {"": 955, "M": 1114, "H": 1353, "SH": 1592, "UH": 1990, "EH": 2388}
# Class temperature [C] by suffix letter: trade usage (from memory).
CLASSES = {"": 80, "M": 100, "H": 120, "SH": 150, "UH": 180, "EH": 200}
# J [T] at H [A/m] of 330-50 sheet (seen, public data).
M330_50A = {0.5: 53, 0.6: 60, 0.7: 69, 0.8: 79, 0.9: 93, 1.0: 112, 1.1: 141, 1.2: 192, 1.3: 313,
            1.4: 698, 1.5: 1932, 1.6: 4284, 1.7: 7750, 1.8: 13318, 1.9: 19610}  # fmt: skip


def sintered() -> list[tuple[str, int, str]]:
    """Grades of sintered NdFeB with their number and letters."""
    found = [(name, re.fullmatch(r"N(\d+)([A-Z]*)", name)) for name in magnet_grades()]
    return [(name, int(match[1]), match[2]) for name, match in found if match]


@pytest.mark.parametrize("file", ["magnets", "plastics", "steels", "wires"])
def test_every_row_names_source_and_mark(file: str) -> None:
    rows = read_rows(f"{file}.csv")
    assert rows
    for row in rows:
        assert len(row["source"]) > 10, row
        assert re.search("seen|from memory|common practice", row["mark"]), row
    names = [next(iter(row.values())) for row in rows]
    assert len(set(names)) == len(names)


@pytest.mark.parametrize("name", magnet_grades())
def test_exact_magnet_row_is_in_order(name: str) -> None:
    grade = magnet_grade(name)
    assert grade.remanence_min <= grade.remanence <= grade.remanence_max
    assert [grade.at_level(level).remanence for level in ("minimum", "typical", "maximum")] == [
        grade.remanence_min, grade.remanence, grade.remanence_max,
    ]  # fmt: skip
    assert 0 < grade.squareness <= 1
    assert grade.remanence_coefficient < 0


def test_published_sintered_grades() -> None:
    """Ranges of IEC 60404-8-1 and ASTM A1101 (seen); letters as in the tables above."""
    for name, number, letters in sintered():
        grade = magnet_grade(name)
        plain = 876 if number >= 50 and not letters else LETTERS[letters]
        assert grade.coercivity == pytest.approx(plain * 1e3), name
        assert grade.class_temperature == CLASSES[letters], name
        assert -0.12e-2 <= grade.remanence_coefficient <= -0.08e-2
        assert -0.75e-2 <= grade.coercivity_coefficient <= -0.34e-2
        assert 1.02 <= grade.recoil_permeability <= 1.08
        assert 7400 <= grade.density <= 7700
        # A grade's number is its nominal energy product in MGOe, Br^2/(4 mu0 mu_r) at most; the
        # best ones come within a tenth of it (common practice, no source). 1 MGOe = 7957.7 J/m3.
        ideal = grade.remanence**2 / (4 * MU0 * grade.recoil_permeability) / 7957.7
        assert 0.9 * number <= ideal <= 1.1 * number, name


def test_exact_order_of_grades() -> None:
    """More letters, more coercivity; higher numbers, more remanence."""
    grades = [(number, magnet_grade(name)) for name, number, _ in sintered()]
    for (one, a), (other, b) in pairwise(grades):
        assert (a.coercivity < b.coercivity) if one == other else (a.remanence < b.remanence)


def test_exact_temperature_lines() -> None:
    grade = magnet_grade("N42SH")
    assert grade.remanence_at(120) == pytest.approx(1.305 * (1 - 100 * 0.0011), rel=1e-12)
    assert grade.coercivity_at(120) == pytest.approx(1592e3 * (1 - 100 * 0.0054), rel=1e-12)
    assert grade.coercivity_at(400) == 0.0
    assert grade.reverse_limit(20) == pytest.approx(0.9 * 1592e3, rel=1e-12)
    # Ferrite loses coercivity in the cold (published: IEC 60404-8-1, about 0.3 %/K, from memory).
    ferrite = magnet_grade("ferrite-Y30")
    assert ferrite.coercivity_at(-20) < ferrite.coercivity_at(20)


# --- steels ---


def test_published_sheet_names() -> None:
    """EN 10106: a grade's name is 100 times its loss at 1.5 T, 50 Hz, and its thickness (seen)."""
    assert sheets()
    for name in sheets():
        match = re.fullmatch(r"M(\d+)-(\d+)A", name)
        assert match
        assert steel(name).loss == pytest.approx(int(match[1]) / 100)
        assert steel(name).thickness == pytest.approx(int(match[2]) / 100 * 1e-3)
        hysteresis, eddy = steel(name).loss_coefficients()
        assert min(hysteresis, eddy) > 0
        assert hysteresis * 50 * 1.5**2 + eddy * (50 * 1.5) ** 2 == pytest.approx(
            int(match[1]) / 100
        )


def test_published_curve_of_330_50() -> None:
    J = np.array(list(M330_50A))
    H = np.array(list(M330_50A.values()), dtype=float)
    np.testing.assert_allclose(steel("M330-50A").field_at(J + MU0 * H), H, rtol=1e-9)  # rounding


@pytest.mark.parametrize("name", sheets())
def test_published_least_polarisation(name: str) -> None:
    """EN 10106: at least 1.49, 1.60 and 1.70 T at 2.5, 5 and 10 kA/m (from memory)."""
    row = steel(name)
    for H, J in ((2500.0, 1.49), (5000.0, 1.60), (10000.0, 1.70)):
        found = np.interp(H, row.curve_field, row.curve_flux_density) - MU0 * H
        assert found >= J - 1e-9


@pytest.mark.parametrize("name", steels())
def test_exact_curves(name: str) -> None:
    """Rising, never less permeable than air; odd; mu0 beyond the end; air beside it adds flux."""
    row = steel(name)
    B, H = row.curve_flux_density, row.curve_field
    assert (np.diff(H) > 0).all()
    assert (np.diff(B) >= MU0 * np.diff(H)).all()
    assert 2000 < row.field_at(np.array(row.knee)) < 6000  # A/m
    np.testing.assert_allclose(row.field_at(-B), -row.field_at(B), rtol=0, atol=0)
    beyond = row.field_at(B[-1] + np.array([0.0, 0.5])) - H[-1]
    np.testing.assert_allclose(beyond, [0, 0.5 / MU0], atol=1e-3)  # A/m, rounding
    fields = np.array([*H, 2 * H[-1]])
    iron = np.array([*B, B[-1] + MU0 * H[-1]])
    np.testing.assert_allclose(
        row.field_at(iron + 3.0 * MU0 * fields, air=3.0), fields, rtol=1e-9, atol=1e-9
    )


# --- materials of one's own ---

# SI of a key's unit, where it is not 1.
SCALES = {"_mm": 1e-3, "_mpa": 1e6, "_ka_m": 1e3, "_percent_per_k": 1e-2}
OWN = {
    "materials.magnets": {"mine": {"like": "N42SH", "remanence_max_t": 1.34}},
    "materials.plastics": {"mine": {"like": "PETG", "density_kg_m3": 1300.0}},
    "materials.steels": {"mine": {"like": "M330-50A", "loss_w_per_kg": 2.9}},
    "materials.wires": {"mine": {"bare_mm": 0.6, "overall_mm": 0.65}},
}


def test_exact_own_rows_differ_in_what_they_say_alone() -> None:
    study = make_study(values=OWN | {"winding.wire": "mine", "winding.wire_diameter_mm": None})
    assert contradictions(study) == []
    replace = dataclasses.replace
    grade = replace(magnet_grade("N42SH"), name="mine", remanence_max=1.34)
    assert study.magnet_grade("mine") == grade
    assert study.plastic("mine") == replace(plastic("PETG"), name="mine", density=1300.0)
    assert study.steel("mine") == replace(steel("M330-50A"), name="mine", loss=2.9)
    assert study.wire_mm == (0.6, 0.65)
    assert study.magnet_grade("N42SH") == magnet_grade("N42SH")
    assert make_study().wire_mm == (0.63, overall_diameter(0.63, enamel_grade=1))
    for kind in ("magnets", "plastics", "steels"):
        assert "mine" in study.known(kind)
        assert "mine" not in make_study().known(kind)


def test_exact_all_own_keys_arrive() -> None:
    """Every key of an own row, set to a value of its own, changes one number of the row."""
    for kind, listed in (("magnets", "N42SH"), ("plastics", "PETG"), ("steels", "M330-50A")):
        base = make_study(values={f"materials.{kind}": {"mine": {"like": listed}}})
        model = type(getattr(base.materials, kind)["mine"])
        read = {"magnets": "magnet_grade", "plastics": "plastic", "steels": "steel"}[kind]
        for key in set(model.model_fields) - {"like"}:
            before = getattr(base, read)("mine")
            changed = 0.55 if key in {"squareness", "thickness_mm"} else 1.25
            changed = {"remanence_min_t": 1.25, "remanence_max_t": 1.35,
                       "density_kg_m3": 1100.0, "service_temperature_c": 70.0,
                       "coercivity_min_ka_m": 1600.0, "class_temperature_c": 140.0,
                       "coercivity_coefficient_percent_per_k": -0.5,
                       "remanence_coefficient_percent_per_k": -0.1}.get(key, changed)  # fmt: skip
            row = {"like": listed, key: changed}
            after = getattr(make_study(values={f"materials.{kind}": {"mine": row}}), read)("mine")
            differ = [
                f.name
                for f in dataclasses.fields(before)
                if not f.name.startswith("curve")
                and getattr(before, f.name) != getattr(after, f.name)
            ]
            assert len(differ) == 1, (key, differ)
            scale = next((n for end, n in SCALES.items() if key.endswith(end)), 1.0)
            assert getattr(after, differ[0]) == pytest.approx(changed * scale, rel=1e-12), key
            stem = differ[0].removesuffix("_temperature")
            assert key.startswith(stem) or stem == "remanence"


def test_exact_study_of_an_own_grade_that_differs_in_nothing() -> None:
    study = make_study(kind="slotted", fill=0.5)
    same = study.with_values(
        {"rotor.grade": "mine", "materials.magnets": {"mine": {"like": "N42SH"}}}
    )
    one, other = evaluate(study), evaluate(same)
    for name in one.data_vars:
        if one[name].dtype.kind == "f":
            np.testing.assert_array_equal(one[name], other[name])


@pytest.mark.parametrize(
    "own", [{"loss_w_per_kg": 0.5}, {"thickness_mm": 1.0, "loss_w_per_kg": 2.5}]
)
def test_own_sheet_never_gains_power(own: dict[str, float]) -> None:
    """Stated loss below the eddy loss of that thickness: refused, or no loss is negative."""
    study = make_study(
        kind="slotted",
        values={"stator.sheet": "mine", "materials.steels": {"mine": {"like": "M330-50A"} | own}},
    )
    if not contradictions(study):
        assert min(study.steel("mine").loss_coefficients()) >= 0


@pytest.mark.parametrize("level", ["minimum", "maximum"])
def test_exact_remanence_option(level: str, tmp_path) -> None:
    """The field is linear in the remanence of one grade: N42SH has 1.28, 1.305, 1.33 T."""
    file = tmp_path / "study.toml"
    file.write_text(starter_text(), encoding="utf-8")
    told = {
        more: CliRunner().invoke(commands, ["evaluate", str(file), *more, "--json"]).stdout
        for more in ((), ("--remanence", level))
    }
    typical, other = (
        float(re.search(r'"fundamental_t": ([\d.]+)', text)[1]) for text in told.values()
    )
    ratio = {"minimum": 1.28, "maximum": 1.33}[level] / 1.305
    assert other / typical == pytest.approx(ratio, rel=1e-8)  # nine digits are printed
