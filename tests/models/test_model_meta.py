"""Rules that every module of the models keeps: declared parameters, public names, documented arguments."""

import ast
import dataclasses
import importlib
import inspect
import pkgutil
import re
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from types import ModuleType
from typing import Annotated, Any, Literal, get_args, get_origin, get_type_hints

import pytest

import shaftloop_models
from shaftloop_models.parameters import Number, Quantity

MODULES = [
    importlib.import_module(f"shaftloop_models.{info.name}")
    for info in pkgutil.iter_modules(shaftloop_models.__path__)
]
DISCRIMINATORS = {"part", "model", "kind", "name", "material"}
BARE = {float, int, bool, Fraction, Literal}


def short(module: ModuleType) -> str:
    return module.__name__.rpartition(".")[2]


def public_functions() -> Iterator[tuple[str, Any]]:
    for module in MODULES:
        for name in module.__all__:
            function = getattr(getattr(module, name), "py_func", getattr(module, name))
            if inspect.isfunction(function) and function.__module__ == module.__name__:
                yield f"{short(module)}.{name}", function


def annotations_of(cls: type) -> dict[str, tuple[Any, Quantity | Number | None]]:
    """Return the bare type and the declaration of every field."""
    found, hints = {}, get_type_hints(cls, include_extras=True)
    for name, hint in ((field.name, hints[field.name]) for field in dataclasses.fields(cls)):
        notes = hint.__metadata__ if get_origin(hint) is Annotated else ()
        declared = next((n for n in notes if isinstance(n, Quantity | Number)), None)
        found[name] = (get_args(hint)[0] if notes else hint, declared)
    return found


def parameter_classes() -> list[type]:
    classes = [
        value
        for module in MODULES
        for value in vars(module).values()
        if inspect.isclass(value) and dataclasses.is_dataclass(value) and value.__module__ == module.__name__
    ]
    return [cls for cls in classes if any(declared for _, declared in annotations_of(cls).values())]


def leaf_types(hint: Any) -> set[Any]:
    """Return the types that a hint is made of, with Optional and tuples opened."""
    origin = get_origin(hint)
    if origin is Literal:
        return {Literal}
    if origin is None:
        return {hint}
    return set().union(*(leaf_types(argument) for argument in get_args(hint) if argument is not ...))


def bounds_hold(value: float | Fraction, note: Quantity | Number) -> bool:
    return (
        (note.gt is None or value > note.gt)
        and (note.ge is None or value >= note.ge)
        and (note.lt is None or value < note.lt)
        and (note.le is None or value <= note.le)
    )


def test_the_parts_are_found() -> None:
    names = {cls.__name__ for cls in parameter_classes()}
    assert {"PmMachine", "ServoMachine", "Coupling", "Shaft", "TorqueSensor", "Encoder", "LowPass"} <= names


@pytest.mark.parametrize("cls", parameter_classes(), ids=lambda cls: cls.__name__)
def test_every_number_flag_and_choice_is_declared(cls: type) -> None:
    for name, (hint, declared) in annotations_of(cls).items():
        if name in DISCRIMINATORS:
            continue
        if leaf_types(hint) & BARE:
            assert declared is not None, f"{cls.__name__}.{name} has neither Quantity nor Number"
            assert declared.doc.strip(), f"{cls.__name__}.{name} has no text"
            assert not declared.doc.endswith("."), f"{cls.__name__}.{name}: the text is no sentence"
        if isinstance(declared, Quantity):
            assert declared.unit, f"{cls.__name__}.{name} has no unit"
        if float in leaf_types(hint) and name not in {"zero"}:
            bounded = any(b is not None for b in (declared.gt, declared.ge, declared.lt, declared.le))
            assert bounded, f"{cls.__name__}.{name} has no range"


@pytest.mark.parametrize("cls", parameter_classes(), ids=lambda cls: cls.__name__)
def test_every_default_lies_in_its_range(cls: type) -> None:
    notes = annotations_of(cls)
    for entry in dataclasses.fields(cls):
        declared = notes[entry.name][1]
        values = entry.default if isinstance(entry.default, tuple) else (entry.default,)
        for value in values:
            if declared is not None and isinstance(value, float | int | Fraction):
                assert bounds_hold(value, declared), f"{cls.__name__}.{entry.name} = {value}"


@pytest.mark.parametrize("cls", parameter_classes(), ids=lambda cls: cls.__name__)
def test_parameters_are_frozen(cls: type) -> None:
    assert cls.__dataclass_params__.frozen  # type: ignore[attr-defined]


def defined_names(module: ModuleType) -> set[str]:
    names = set()
    for node in ast.parse(Path(module.__file__ or "").read_text(encoding="utf-8")).body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            names.add(node.name)
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            names |= {target.id for target in targets if isinstance(target, ast.Name)}
    return {name for name in names if not name.startswith("_")}


@pytest.mark.parametrize("module", MODULES, ids=short)
def test_the_public_list_is_sorted_and_complete(module: ModuleType) -> None:
    listed = list(module.__all__)
    assert listed == sorted(listed, key=lambda name: (not name.isupper(), not name[0].isupper(), name))
    assert defined_names(module) <= set(listed)
    assert all(hasattr(module, name) for name in listed)


@pytest.mark.parametrize("module", MODULES, ids=short)
def test_every_module_says_what_it_is(module: ModuleType) -> None:
    assert (module.__doc__ or "").strip()


@pytest.mark.parametrize(
    ("name", "function"), [pytest.param(*pair, id=pair[0]) for pair in public_functions()]
)
def test_every_argument_is_documented_and_every_number_has_a_unit(name: str, function: Any) -> None:
    text = inspect.getdoc(function) or ""
    section = text.partition("Parameters\n----------\n")[2].partition("\nRaises\n")[0]
    entries = dict(re.findall(r"^([\w, ]+) : [^\n]*\n((?:[ ]{4}.*\n?|\n)*)", section, re.MULTILINE))
    documented = {argument: body for key, body in entries.items() for argument in key.split(", ")}
    for argument, hint in get_type_hints(function).items():
        if argument == "return" or name == "compiled.equation":
            continue
        # What a class of our own says of an argument need not be said again.
        plain = {leaf for leaf in leaf_types(hint) if not leaf.__module__.startswith("shaftloop")}
        assert argument in documented or not plain, f"{name}: argument {argument} is not documented"
        if float in leaf_types(hint):
            assert re.search(r"\[[^\]]+\]", documented[argument]), f"{name}: {argument} has no unit"
