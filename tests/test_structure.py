"""The package keeps its order: each stage imports only earlier ones."""

import ast
import importlib
import re
from itertools import takewhile
from pathlib import Path

import pytest

import arrayopt

ROOT = Path(arrayopt.__file__).parent
# Earlier stages first; those on one line know nothing of each other.
ORDER = (
    {"errors", "quantities"},
    {"fanout", "figures", "materials"},
    {"study"},
    {"layout"},
    {"field"},
    {"machine"},
    {"checks"},
    {"details"},
    {"evaluation"},
    {"scatter"},
    {"comparison", "variation"},
    {"search"},
    {"confirmation"},
    {"measurement"},
    {"export"},
    {"cli"},
    {"__main__"},
)
STAGES = set().union(*ORDER)
ONLY_IN = {
    "magpylib": {"field"},
    "optuna": {"search"},
    "filelock": {"search"},
    "distributed": set(),  # optional; loaded by name
    "matplotlib": {"export"},
    "ngsolve": {"confirmation"},
    "netgen": {"confirmation"},
    "h5netcdf": set(),  # named to xarray only
    "click": {"cli"},
    "tomlkit": {"study"},
    "pydantic": {"study"},
    "shapely": {"layout", "export"},
    "tabulate": {"export"},
    "ezdxf": {"export"},
    "jinja2": {"export"},
    "markupsafe": {"export"},
    "typst": {"export"},
}
MODULES = {
    ".".join(file.relative_to(ROOT).with_suffix("").parts): ast.parse(file.read_text("utf-8"))
    for file in sorted(ROOT.rglob("*.py"))
}
every_module = pytest.mark.parametrize("name", [name for name in MODULES if name != "__init__"])


def imported(tree):
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are written in full"
            yield node.module
            # `from arrayopt import study` names a stage too
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def stage(name):
    return name.split(".", maxsplit=1)[0]


def test_every_module_has_a_place_in_the_order():
    assert {stage(name) for name in MODULES} - {"__init__"} == STAGES


@every_module
def test_no_import_goes_backward(name):
    own = stage(name)
    earlier = set().union(*takewhile(lambda line: own not in line, ORDER), {own})
    used = {module.split(".")[1] for module in imported(MODULES[name]) if "arrayopt." in module}
    assert used & STAGES <= earlier


@every_module
def test_outside_libraries_stay_in_their_stage(name):
    for module in imported(MODULES[name]):
        assert stage(name) in ONLY_IN.get(stage(module), STAGES), f"{name} imports {module}"


def own_imports(name):
    """Modules of the package that one imports anywhere, for type checkers only too."""
    for module in imported(MODULES[name]):
        inside = module.removeprefix("arrayopt.")
        if module != inside and inside in MODULES:
            yield inside
        elif module != inside and f"{inside}.__init__" in MODULES:
            yield f"{inside}.__init__"


def cycle(graph):
    """A way from a module back to itself, or nothing."""
    done = set()

    def search(name, way):
        if name in way:
            return [*way[way.index(name) :], name]
        if name not in done:
            done.add(name)
            for other in graph[name]:
                if found := search(other, [*way, name]):
                    return found
        return []

    return next((found for name in graph if (found := search(name, []))), [])


def test_a_cycle_is_found():
    assert cycle({"a": ["b"], "b": ["c"], "c": ["b"], "d": []}) == ["b", "c", "b"]
    assert cycle({"a": ["b", "c"], "b": ["c"], "c": []}) == []


def test_no_modules_import_each_other():
    assert cycle({name: list(own_imports(name)) for name in MODULES}) == []


# Commands import when they run, so that --help is quick.
@pytest.mark.parametrize("name", [n for n in MODULES if n != "__init__" and stage(n) != "cli"])
def test_imports_stand_at_the_top(name):
    for function in ast.walk(MODULES[name]):
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            assert not list(imported(function)), f"{name} imports inside a function"


def test_public_names_resolve():
    assert sorted(arrayopt.__all__) == dir(arrayopt)
    for name in arrayopt.__all__:
        value = getattr(arrayopt, name)
        assert value.__name__ == name
        assert value.__doc__


def test_unknown_public_name():
    with pytest.raises(AttributeError, match="no attribute 'optimize'"):
        _ = arrayopt.optimize


def test_functions_are_not_hidden_by_modules():
    # A submodule that is imported becomes an attribute of the package.
    for name in MODULES:
        if not name.startswith("__"):
            importlib.import_module(f"arrayopt.{name.removesuffix('.__init__')}")
    for name in arrayopt.__all__:
        assert callable(getattr(arrayopt, name)), name


GUIDE = (ROOT.parent / "DEVELOPERS.md").read_text("utf-8")


def test_the_guide_tells_the_order():
    block = GUIDE.split("```text\n")[1].split("```")[0]
    told = [set(line.strip().split(", ")) for line in " ".join(block.split()).split(" -> ")]
    assert tuple(told) == ORDER[:-1]  # `__main__` only calls the command line


@pytest.mark.parametrize("room", sorted({name for name in map(stage, MODULES) if name in STAGES}))
def test_the_guide_names_every_module(room):
    (row,) = [
        line for line in GUIDE.splitlines() if line.startswith((f"| `{room}/`", f"| `{room}.py`"))
    ] or [""] * (room == "__main__")
    inside = {name.split(".")[-1] for name in MODULES if name.startswith(f"{room}.")}
    assert inside - {"__init__"} <= set(re.findall(r"`(\w+)`", row))
