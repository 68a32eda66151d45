"""The command line: each command's good path, bad input and help; streams and exit codes."""

import json
import os
import re
import subprocess
import sys
import sysconfig
from pathlib import Path

import pytest

from arrayopt.checks import check_limits
from arrayopt.cli import commands
from arrayopt.evaluation import evaluate
from arrayopt.search import optimise
from arrayopt.search.run import BATCH
from arrayopt.study import parse_study, revised_text, starter_text

SCRIPT = Path(sysconfig.get_path("scripts")) / "arrayopt"
COMMANDS = (
    "new", "check", "evaluate", "compare", "layouts", "sweep", "optimise", "show", "confirm",
    "cut-list", "drawings", "assembly", "strength", "stray", "tolerance", "driver-data",
    "bench-sheet", "sort", "as-built", "report",
)  # fmt: skip
QUICK = (
    "check", "evaluate", "compare", "cut-list", "assembly", "strength", "stray", "driver-data",
)  # fmt: skip
SEARCHING = ("optimise", "layouts", "report")
NO_HEAT = re.sub(r"\[heat\][^[]*(?=\[)", "", starter_text())
SATURATED = revised_text(starter_text(), {"limits.tooth_flux_density_t": 0.1})
FEW = ("--trials", "80")
BAG = "".join(
    f"{kind[0]}{i},{kind},{1.3 + i % 7 / 1000}\n"
    for kind in ("main", "transverse")
    for i in range(28)
)
MEASURED = {
    "sort": f"magnet,family,remanence_t\n{BAG}",
    "as-built": "key,unit,found\nrotor_mass,g,92\n",
}


@pytest.fixture
def study(tmp_path):
    file = tmp_path / "study.toml"
    file.write_text(starter_text(), encoding="utf-8")
    return file


def shell(*arguments, **more):
    """Run the installed command as a process of its own."""
    done = subprocess.run([SCRIPT, *arguments], capture_output=True, check=False, **more)
    assert b"Traceback" not in done.stderr
    return done


def needed(command, study, tmp_path):
    """Arguments that a command cannot do without."""
    if command == "new":
        return (tmp_path / "new.toml",)
    if command == "sweep":
        return (study, "--vary", "airgap.length_mm=0.9,1.0")
    if command == "show":
        optimise(parse_study(starter_text()), trials=80, out=tmp_path / "out")
        return (tmp_path / "out",)
    if command == "drawings":
        return (study, "--out", tmp_path / "out")
    if command in MEASURED:
        readings = tmp_path / "readings.csv"
        if study.exists():
            readings.write_text(MEASURED[command], encoding="utf-8")
        return (study, readings)
    few = ("--trials", "20") if command == "layouts" else FEW  # it searches four times
    return (study, "--out", tmp_path / "out", *few) if command in SEARCHING else (study,)


# Every command


def test_commands_are_those_tested():
    assert set(commands.commands) == set(COMMANDS)


# `drawings`, `report` and `confirm`, which take longer, have tests of their own.
LONG = ("drawings", "report", "confirm")


@pytest.mark.usefixtures("no_pictures")
@pytest.mark.parametrize("command", [c for c in COMMANDS if c not in LONG])
def test_good_path(command, run, study, tmp_path):
    code, out, messages = run(command, *needed(command, study, tmp_path))
    assert code == 0
    assert out or command == "new"
    assert all(line.startswith("written") for line in messages.splitlines())


@pytest.mark.parametrize("flag", ["--help", "-h"])
@pytest.mark.parametrize("command", COMMANDS)
def test_help(command, flag, run):
    code, out, messages = run(command, flag)
    assert (code, messages) == (0, "")
    assert out.startswith(f"Usage: arrayopt {command} [OPTIONS] ")
    for parameter in commands.commands[command].params:
        if parameter.param_type_name == "option":
            assert parameter.help, f"{parameter.name} has no help"
            assert parameter.opts[0] in out


def test_help_of_all(run):
    code, out, _ = run("--help")
    assert code == 0
    assert all(f"  {command} " in out for command in COMMANDS)
    # No summary is cut short at the usual 80 columns.
    assert "..." not in out.partition("Commands:")[2]


def test_version(run):
    code, out, _ = run("--version")
    assert (code, out.split()[0]) == (0, "arrayopt,")
    assert re.search(r"\d+\.\d+\.\d+", out)


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("arguments", [(), ("a.toml", "b.toml"), ("a.toml", "--wrong")])
def test_wrong_usage(command, arguments, run):
    if command in MEASURED and "--wrong" not in arguments:
        arguments = arguments[:1]  # files of what was measured follow
    code, out, messages = run(command, *arguments)
    assert (code, out) == (2, "")
    assert messages.startswith(f"Usage: arrayopt {command}")
    assert "Error: " in messages


@pytest.mark.parametrize("command", [c for c in COMMANDS if c not in ("new", "show")])
def test_missing_study(command, run, tmp_path):
    file = tmp_path / "hip.toml"
    code, out, messages = run(command, *needed(command, file, tmp_path))
    assert (code, out) == (2, "")
    assert messages.splitlines() == [
        f"{file} does not exist; `arrayopt new {file}` writes a study to start from"
    ]
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("no_pictures")
@pytest.mark.parametrize("command", ["evaluate", "cut-list", "stray", "optimise"])
def test_study_from_standard_input(command, run, study, tmp_path):
    from_file = run(command, *needed(command, study, tmp_path))
    from_input = run(
        command, *needed(command, "-", tmp_path), stdin=starter_text().replace("\n", "\r\n")
    )
    assert from_input == from_file


@pytest.mark.parametrize("command", QUICK)
def test_faults_of_standard_input(command, run):
    code, _, messages = run(command, "-", stdin="title = 1")
    assert code == 2
    assert "title must be text; got 1" in messages
    assert run(command, "-", stdin="= 1")[2].startswith("standard input is not valid TOML")
    assert run(command, "-", stdin="")[2].startswith("standard input is empty")


@pytest.mark.parametrize(
    "option",
    [
        ("--trials", "9"),
        ("--trials", "many"),
        ("--seed", "-1"),
        ("--workers", "0"),
        ("--workers", "257"),
    ],
)
@pytest.mark.parametrize("command", SEARCHING)
def test_search_options_are_checked(command, option, run, study, tmp_path):
    code, _, messages = run(command, study, "--out", tmp_path / "out", *option)
    assert code == 2
    assert f"Invalid value for '{option[0]}'" in messages
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("option", [("--motors", "0"), ("--spares", "-1"), ("--spares", "nan")])
def test_order_options_are_checked(option, run, study):
    code, out, messages = run("cut-list", study, *option)
    assert (code, out) == (2, "")
    assert f"Invalid value for '{option[0]}'" in messages


# JSON


def told(run, *arguments, code=0):
    """Exactly one JSON object on standard output."""
    ended, out, _ = run(*arguments, "--json")
    assert ended == code
    content, end = json.JSONDecoder().raw_decode(out)
    assert out[end:] == "\n"
    assert isinstance(content, dict)
    return content


def test_json_of_evaluate(run, study):
    content = told(run, "evaluate", study)
    assert set(content["airgap"]) >= {"fundamental_t", "harmonics", "thd_percent"}
    assert set(content["machine"]) >= {
        "winding_factor",
        "flux_linkage_peak_wb",
        "torque_constant_nm_per_a",
        "back_emf_constant_v_s_per_rad",
        "speed_constant_rpm_per_v",
        "phase_resistance_ohm",
        "motor_constant_nm_per_sqrt_w",
        "continuous_torque_nm",
    }
    assert set(content["mass"]) >= {"magnets_g", "ring_g", "carrier_g", "rotor_g"}
    assert all(set(h) == {"order", "amplitude_t"} for h in content["airgap"]["harmonics"])
    assert [h["order"] for h in content["airgap"]["harmonics"]] == list(range(1, 16))
    assert content["airgap"]["harmonics"][0]["amplitude_t"] == content["airgap"]["fundamental_t"]
    assert content["checks"]
    for check in content["checks"]:
        assert set(check) == {"name", "value", "limit", "unit", "ok", "source"}
        assert isinstance(check["ok"], bool)
    assert all(isinstance(line, str) for line in content["cautions"])
    assert content["machine"]["continuous_torque_nm"] > 0


def test_json_without_heat_claims_no_continuous_torque(run, study):
    study.write_text(NO_HEAT, encoding="utf-8")
    content = told(run, "evaluate", study)
    assert content["machine"]["continuous_torque_nm"] is None
    assert content["joint"]["continuous_torque_nm"] is None
    assert any("no continuous torque is claimed" in line for line in content["cautions"])
    assert told(run, "compare", study)["torque_figure"] == "machine.motor_constant_nm_per_sqrt_w"


def test_json_of_check(run, study):
    content = told(run, "check", study)
    assert set(content) == {"title", "checks"}
    assert content["checks"] == told(run, "evaluate", study)["checks"]


def test_json_of_compare(run, study):
    content = told(run, "compare", study)
    assert content["torque_figure"] == "machine.continuous_torque_nm"
    assert content["designs"][0]["design"] == "array"
    assert content["designs"][0]["machine"] == told(run, "evaluate", study)["machine"]
    assert [line.partition(" ")[0] for line in content["verdict"]] == [
        "Most", "Most", "Why:", "These",
    ]  # fmt: skip


def test_json_of_cut_list(run, study):
    content = told(run, "cut-list", study, "--motors", "3", "--spares", "0")
    assert content["total"]["ordered"] == 3 * 56
    assert {"size", "polarisation", "angle_deg", "grade", "ordered"} <= set(content["pieces"][0])


@pytest.mark.usefixtures("no_pictures")
def test_json_of_optimise(run, study, tmp_path):
    content = told(run, "optimise", study, "--out", tmp_path / "out", *FEW)
    assert content["designs_judged"] >= 80
    assert set(content["picks"]) <= {"knee", "most-continuous-torque", "least-rotor-mass"}
    assert "knee" in content["picks"]
    for pick in content["picks"].values():
        assert set(pick["values"]) <= set(parse_study(starter_text()).search.variables)
        assert pick["mass"]["rotor_g"] > 0


@pytest.mark.usefixtures("no_pictures")
@pytest.mark.parametrize("command", ["check", "evaluate", "compare", "cut-list", "optimise"])
def test_json_and_table_of_the_same_run(command, run, study, tmp_path):
    arguments = needed(command, study, tmp_path)
    code, out, _ = run(command, *arguments)
    assert code == 0
    assert not out.lstrip().startswith("{")
    assert told(run, command, *arguments)


# Exit codes


@pytest.mark.parametrize("json_flag", [(), ("--json",)])
def test_check_ends_with_3_if_a_limit_is_missed(json_flag, run, study):
    assert run("check", study, *json_flag)[0] == 0
    study.write_text(SATURATED, encoding="utf-8")
    code, out, messages = run("check", study, *json_flag)
    assert (code, messages) == (3, "")
    assert "tooth flux density" in out
    assert ("NO" in out) or ('"ok": false' in out)
    made = parse_study(SATURATED)
    kept = [check.ok for check in check_limits(made, evaluate(made))]
    assert kept.count(False) == 1


@pytest.mark.usefixtures("no_pictures")
@pytest.mark.parametrize("command", SEARCHING)
def test_search_ends_with_3_if_nothing_is_feasible(command, run, study, tmp_path):
    study.write_text(SATURATED, encoding="utf-8")
    code, out, messages = run(command, study, "--out", tmp_path / "out", *FEW)
    # `report` still shows and keeps what it computed before the search.
    assert (code, bool(out)) == (3, command == "report")
    line = messages.splitlines()[-1]
    assert "none of 80 designs keeps all limits" in line
    assert list((tmp_path / "out").rglob("search.journal"))
    assert not (tmp_path / "out" / "front.csv").exists()


def test_evaluate_tells_missed_limits_but_ends_well(run, study):
    study.write_text(SATURATED, encoding="utf-8")
    code, out, _ = run("evaluate", study)
    assert code == 0
    assert "teeth saturate" in out


# What a command calls that may take long, or first of all.
_CALLED = {"new": "arrayopt.export.files.write_text", "show": "arrayopt.search.read_search"}


@pytest.mark.parametrize("command", COMMANDS)
def test_interrupt(command, run, study, tmp_path, monkeypatch):
    def interrupted(*_args, **_more):
        raise KeyboardInterrupt

    arguments = (tmp_path,) if command == "show" else needed(command, study, tmp_path)
    monkeypatch.setattr(_CALLED.get(command, "arrayopt.evaluation.load_study"), interrupted)
    code, out, messages = run(command, *arguments)
    assert (code, out) == (130, "")
    assert messages.strip().splitlines()[-1] == "interrupted"
    assert not (tmp_path / "new.toml").exists()


# Files


def test_new_writes_the_starter(run, tmp_path):
    file = tmp_path / "a b" / "hip ü.toml"
    code, out, messages = run("new", file)
    assert (code, out) == (0, "")
    assert messages == f"written: {file}; next: arrayopt evaluate {file}\n"
    assert file.read_text("utf-8") == starter_text()


def test_new_keeps_a_file_without_force(run, tmp_path):
    file = tmp_path / "study.toml"
    file.write_text("mine")
    code, _, messages = run("new", file)
    assert code == 2
    assert f"{file} is there already" in messages
    assert "--force" in messages
    assert file.read_text() == "mine"
    assert run("new", file, "--force")[0] == 0
    assert file.read_text("utf-8") == starter_text()


def test_new_into_an_impossible_folder(run, tmp_path):
    (tmp_path / "file").write_text("x")
    code, _, messages = run("new", tmp_path / "file" / "study.toml")
    assert code == 2
    assert "cannot be written" in messages
    assert "--out" not in messages  # this command has no such option


@pytest.mark.parametrize("command", ["evaluate", "compare", "cut-list", *SEARCHING])
@pytest.mark.parametrize("where", ["file", "file/out"])
def test_out_that_cannot_be_a_folder(command, where, run, study, tmp_path):
    (tmp_path / "file").write_text("x")
    more = FEW if command in SEARCHING else ()
    code, _, messages = run(command, study, "--out", tmp_path / where, *more)
    assert code == 2
    assert str(tmp_path / "file") in messages
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file", "study.toml"]


@pytest.mark.skipif(os.name == "nt", reason="rights of folders differ")
@pytest.mark.parametrize("command", ["evaluate", "optimise"])
def test_out_without_rights(command, run, study, tmp_path, monkeypatch):
    # Root may write anywhere, so the refusal of the system is played.
    def refuse(*_args, **_more):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "mkdir", refuse)
    more = FEW if command == "optimise" else ()
    code, _, messages = run(command, study, "--out", tmp_path / "out", *more)
    assert code == 2
    assert "Permission denied; choose another" in messages


@pytest.mark.usefixtures("no_pictures")
@pytest.mark.parametrize("command", ["evaluate", "compare", "cut-list", "optimise"])
def test_files_are_named_where_written(command, run, study, tmp_path):
    out = tmp_path / "out"
    more = FEW if command in SEARCHING else ()
    code, _, messages = run(command, study, "--out", out, *more)
    assert code == 0
    (line,) = messages.splitlines()
    where, names = line.removeprefix("written to ").split(": ")
    kept = {"search.journal"} if command in SEARCHING else set()
    assert Path(where) == out
    # Some systems remove the file of a lock that is free again.
    assert set(names.split(", ")) | kept == {p.name for p in out.iterdir()} - {".search.lock"}


@pytest.mark.parametrize("title", ["Hüftmotor 髋关节电机", "мотор тазобедренный 🦿"])
def test_titles_of_all_languages(title, run, tmp_path):
    file = tmp_path / f"{title}.toml"
    file.write_text(revised_text(starter_text(), {"title": title}), encoding="utf-8")
    code, out, messages = run("evaluate", file, "--out", tmp_path / f"aus {title}")
    assert code == 0
    assert title in out
    assert len(messages.splitlines()) == 1
    figures = (tmp_path / f"aus {title}" / "figures.json").read_text("utf-8")
    assert json.loads(figures)["title"] == title


# Environment


@pytest.mark.usefixtures("no_pictures")
@pytest.mark.parametrize(
    ("variable", "option", "judged"),
    # whole batches are judged; the study itself asks for 100
    [(None, (), 100), ("30", (), 30), ("30", ("--trials", "90"), 90)],
)
def test_option_goes_before_environment_before_study(
    variable, option, judged, run, study, tmp_path, monkeypatch
):
    study.write_text(revised_text(starter_text(), {"search.trials": 100}), encoding="utf-8")
    monkeypatch.delenv("ARRAYOPT_OPTIMISE_TRIALS", raising=False)
    if variable:
        monkeypatch.setenv("ARRAYOPT_OPTIMISE_TRIALS", variable)
    content = told(run, "optimise", study, "--out", tmp_path / "out", *option)
    assert content["designs_judged"] == -(-judged // BATCH) * BATCH


def test_environment_is_checked_like_an_option(run, study, tmp_path, monkeypatch):
    monkeypatch.setenv("ARRAYOPT_OPTIMISE_TRIALS", "many")
    code, _, messages = run("optimise", study, "--out", tmp_path / "out")
    assert code == 2
    assert "'many'" in messages
    assert not (tmp_path / "out").exists()


# Processes


def test_help_imports_nothing_heavy():
    code = (
        "import sys, arrayopt.cli\n"
        "sys.argv = ['arrayopt', '--help']\n"
        "try:\n    arrayopt.cli.main()\n"
        "except SystemExit as end:\n    assert end.code == 0\n"
        "print(sorted({name.split('.')[0] for name in sys.modules}))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(re.findall(r"'(\w+)'", done.stdout.splitlines()[-1]))
    assert "click" in loaded
    heavy = {"numpy", "scipy", "xarray", "optuna", "matplotlib", "magpylib", "pydantic", "shapely"}
    assert not heavy & loaded


def test_module_runs_like_the_command():
    done = subprocess.run(
        [sys.executable, "-m", "arrayopt", "--help"], capture_output=True, check=True
    )
    assert done.stdout == shell("--help").stdout


@pytest.mark.skipif(os.name == "nt", reason="pipes differ")
@pytest.mark.parametrize("command", ["evaluate", "cut-list"])
def test_reader_that_goes_away(command, study):
    reader, writer = os.pipe()
    os.close(reader)
    with os.fdopen(writer, "wb") as gone:
        done = subprocess.run(
            [SCRIPT, command, study, "--json"], stdout=gone, stderr=subprocess.PIPE, check=False
        )
    assert done.stderr == b""
    assert done.returncode in (0, 141)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no such device")
def test_full_disk(study):
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [SCRIPT, "evaluate", study], stdout=full, stderr=subprocess.PIPE, check=False
        )
    assert done.returncode != 0
    assert b"Traceback" not in done.stderr
    assert b"No space left" in done.stderr


@pytest.mark.skipif(os.name == "nt", reason="locales differ")
def test_c_locale(tmp_path):
    file = tmp_path / "Hüfte 髋.toml"
    title = "Hüftmotor 髋"
    file.write_text(revised_text(starter_text(), {"title": title}), encoding="utf-8")
    narrow = {**os.environ, "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    done = shell("cut-list", file, "--out", tmp_path / "aus ü", env=narrow)
    assert done.returncode == 0
    assert done.stdout.startswith(b"H?ftmotor ?\n")
    assert (tmp_path / "aus ü" / "cut-list.txt").read_text("utf-8").startswith(title)
    missing = shell("check", tmp_path / "ü.toml", env=narrow)
    assert missing.returncode == 2
    assert b"does not exist" in missing.stderr


def test_study_of_ten_megabytes(run, tmp_path):
    file = tmp_path / "large.toml"
    file.write_bytes(b"# all of it a comment\n" * 500_000)
    code, _, messages = run("check", file)
    assert code == 2
    assert messages.strip() == f"{file} is larger than 1 MB; a study file is a page of TOML text"


@pytest.mark.skipif(os.name == "nt", reason="no name of a file there")
def test_windows_line_ends_and_any_name(run, study, tmp_path):
    name = 'it\'s "quoted", 髋关节 ñ.toml'
    file = tmp_path / name
    file.write_bytes(study.read_bytes().replace(b"\n", b"\r\n"))
    out = tmp_path / f"out of {name}"
    assert run("cut-list", file, "--out", out)[:2] == run("cut-list", study)[:2]
    assert (out / "cut-list.csv").is_file()


def test_no_colour_codes_without_a_terminal(run, study, monkeypatch):
    monkeypatch.setenv("NO_COLOR", "1")
    for command in ("evaluate", "compare"):
        assert not any("\x1b" in told for told in run(command, study)[1:])
