"""What a Python user may call says how: parameters, what comes back, and an example that runs."""

from __future__ import annotations

import ast
import dataclasses
import inspect
from doctest import DocTestParser
from functools import cached_property

import pytest

import arrayopt

OF_NAME = {name: getattr(arrayopt, name) for name in arrayopt.__all__}
CLASSES = {name: value for name, value in OF_NAME.items() if inspect.isclass(value)}
FUNCTIONS = {name: value for name, value in OF_NAME.items() if name not in CLASSES}
every_name = pytest.mark.parametrize("name", sorted(OF_NAME))
every_class = pytest.mark.parametrize("name", sorted(CLASSES))
every_function = pytest.mark.parametrize("name", sorted(FUNCTIONS))


def examples(thing):
    """Return the statements that a docstring's examples run, as syntax trees."""
    found = DocTestParser().get_examples(inspect.getdoc(thing) or "")
    return [ast.parse(example.source) for example in found]


def nodes(thing, kind):
    return [node for tree in examples(thing) for node in ast.walk(tree) if isinstance(node, kind)]


def members(owner):
    """Return the public methods and properties that a class defines itself, by name."""
    kinds = (property, cached_property, classmethod, staticmethod)
    return {
        name: value
        for name, value in vars(owner).items()
        # pydantic keeps names that begin with model_ to itself
        if not name.startswith(("_", "model_"))
        and (isinstance(value, kinds) or inspect.isfunction(value))
    }


def told(thing, section):
    """Return the names that a section of a numpy docstring has entries for."""
    lines = (inspect.getdoc(thing) or "").splitlines()
    starts = [i for i, line in enumerate(lines) if line == section]
    names = []
    for start in starts:
        assert lines[start + 1] == "-" * len(section)
        for i, line in enumerate(lines[start + 2 :], start + 2):
            if i + 1 < len(lines) and lines[i + 1].startswith("---"):
                break
            if line and not line.startswith(" "):
                names += line.split(" : ")[0].split(", ")
    return names


@every_name
def test_examples_run_from_the_public_names_alone(name):
    """Every public name has examples, which import nothing private and skip nothing."""
    value = OF_NAME[name]
    assert examples(value), f"{name} has no example"
    for node in nodes(value, ast.ImportFrom):
        assert node.module == "arrayopt" or not node.module.startswith("arrayopt."), node.module
    assert "+SKIP" not in value.__doc__


@every_function
def test_functions_are_called_in_their_examples(name):
    called = [node.func for node in nodes(FUNCTIONS[name], ast.Call)]
    assert name in {function.id for function in called if isinstance(function, ast.Name)}


@every_class
def test_members_are_shown(name):
    """Every public method and property of a public class is used in an example.

    The rule: its name stands behind a dot in an example of the class, or in one of its own.
    Fields of dataclasses are told under Attributes instead.
    """
    owner = CLASSES[name]
    shown = {node.attr for node in nodes(owner, ast.Attribute)}
    for member, value in members(owner).items():
        own = nodes(getattr(value, "func", value), ast.Attribute)
        assert member in shown | {node.attr for node in own}, f"{name}.{member} is in no example"
        assert inspect.getdoc(value), f"{name}.{member} has no docstring"


@every_function
def test_parameters_and_results_are_told(name):
    signature = inspect.signature(FUNCTIONS[name])
    assert told(FUNCTIONS[name], "Parameters") == list(signature.parameters)
    assert told(FUNCTIONS[name], "Returns")


@every_class
def test_fields_and_parameters_of_methods_are_told(name):
    owner = CLASSES[name]
    if dataclasses.is_dataclass(owner):
        fields = [field.name for field in dataclasses.fields(owner)]
        assert sorted(told(owner, "Attributes")) == sorted(fields)
    for member, value in members(owner).items():
        if inspect.isfunction(value):
            wanted = list(inspect.signature(value).parameters)[1:]
            assert told(value, "Parameters") == wanted, f"{name}.{member}"
