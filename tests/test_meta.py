"""Rules that hold for every file of both packages."""

import ast
import importlib
import pkgutil
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import click
import pytest

import shaftloop
import shaftloop_models
from shaftloop.cli.main import cli
from shaftloop.cli.spelling import options, spelt

ROOT = Path(__file__).parents[1]
LONGEST = 400
PACKAGES = (shaftloop, shaftloop_models)
MODULES = [
    importlib.import_module(info.name)
    for package in PACKAGES
    for info in pkgutil.walk_packages(package.__path__, f"{package.__name__}.")
    if not info.name.endswith("__main__")
]
FILES = sorted(path for package in PACKAGES for path in Path(package.__path__[0]).rglob("*.py"))


def public(module: ModuleType) -> list[str]:
    return list(getattr(module, "__all__", []))


def short(path: Path) -> str:
    return path.relative_to(ROOT).as_posix() if path.is_relative_to(ROOT) else path.name


def test_both_packages_are_found() -> None:
    assert len(FILES) > 90 and {"shaftloop.engine.compiled.kernel", "shaftloop_models.drag"} <= {
        module.__name__ for module in MODULES
    }


@pytest.mark.parametrize("module", MODULES, ids=lambda module: module.__name__)
def test_the_public_list_is_sorted_and_true(module: ModuleType) -> None:
    listed = public(module)
    assert listed == sorted(listed, key=lambda name: (not name.isupper(), not name[0].isupper(), name))
    assert len(set(listed)) == len(listed)
    assert [name for name in listed if not hasattr(module, name)] == []


@pytest.mark.parametrize("path", FILES, ids=short)
def test_a_file_is_short_and_says_what_it_is(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= LONGEST
    assert ast.get_docstring(ast.parse(text))


@pytest.mark.parametrize("path", FILES, ids=short)
def test_no_file_imports_everything_or_holds_work_to_do(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert re.findall(r"import \*|\b(?:TODO|FIXME|XXX)\b", text) == []


def test_every_module_belongs_to_a_layer() -> None:
    config = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    layers = config["tool"]["importlinter"]["contracts"][0]["layers"]
    known = {name.strip() for layer in layers for name in layer.split("|")}
    known |= {f"shaftloop.{name}" for name in ("cautions", "errors", "figures", "text", "words")}
    strays = {".".join(m.__name__.split(".")[:2]) for m in MODULES if m.__name__.startswith("shaftloop.")}
    assert strays <= known


def test_no_library_is_imported_at_the_door() -> None:
    """`shaftloop -h` imports click and nothing that is heavy."""
    code = "import sys, shaftloop.cli.main; print(*sorted({m.partition('.')[0] for m in sys.modules}))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    heavy = {"numpy", "scipy", "numba", "matplotlib", "control", "simpy", "rich"}
    assert heavy & set(loaded.stdout.split()) == set()


def test_nothing_stands_there_for_tests_alone() -> None:
    """Every function, class and constant is named in another place of the packages than its own."""
    trees = [ast.parse(path.read_text(encoding="utf-8")) for path in FILES]
    used = {"pytest_addoption", "pytest_collect_file", *shaftloop.__all__}
    for node in (node for tree in trees for node in ast.walk(tree)):
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load):
            used.add(node.id)
        elif isinstance(node, ast.Attribute):
            used.add(node.attr)
    defined = set[str]()
    for node in (node for tree in trees for node in tree.body):
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.decorator_list:
            defined.add(node.name)
        elif isinstance(node, ast.Assign):
            defined |= {target.id for target in node.targets if isinstance(target, ast.Name)}
    assert {name for name in defined - used if not name.startswith("__")} == set()


BELOW = [path for path in FILES if "cli" not in path.parts and path.name != "pdf.py"]
"""Files that know no command line; the one left out calls a browser by its own."""


@pytest.mark.parametrize("path", BELOW, ids=short)
def test_arguments_stand_in_backticks_and_commands_spell_them(path: Path) -> None:
    """Who asks from Python reads the argument's name, who asks a command reads its option."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    notes = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            assert not re.search(r"(?<![\w-])--[a-z]", node.value)
            if id(node) not in notes:
                assert set(re.findall(r"`(\w+)`", node.value)) <= set(options())


def test_one_argument_is_one_option_in_every_command() -> None:
    given = {
        (option.name, option.opts[0])
        for command in cli.commands.values()
        for option in command.params
        if isinstance(option, click.Option)
    }
    assert len({name for name, _ in given}) == len(given)
    assert spelt("a lower `torque`, or `as` it is") == "a lower --torque, or `as` it is"
