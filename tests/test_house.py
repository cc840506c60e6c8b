"""Parts own what they do: nothing outside their files tells them apart by class or by kind."""

import ast
import dataclasses
from pathlib import Path

import pytest

import shaftloop
from shaftloop.control.parameters import Hop, Loop
from shaftloop_models.part import Machine, Sensor, kind_of, kinds
from shaftloop_models.power_meter import PowerMeter

ROOT = Path(shaftloop.__path__[0])
FILES = [path for path in sorted(ROOT.rglob("*.py")) if (ROOT / "bench/parts") not in path.parents]
CLASSES = {cls.__name__ for cls in (*kinds(), Machine, Sensor, PowerMeter)}
KINDS = {kind_of(cls) for cls in kinds()} | {"pm_synchronous", "torque_servo"}
OTHERS = {field.name for cls in (Loop, Hop) for field in dataclasses.fields(cls)}
OWN = {name for cls in (*kinds(), PowerMeter) for name in vars(cls) if not name.startswith("_")} | {
    field.name for cls in (*kinds(), PowerMeter) for field in dataclasses.fields(cls)
}
TESTS = {"isinstance", "issubclass", "type"}
MAY_NAME_A_KIND = {"studies/sensor_choice.py"}
"""Reads part files, of which it takes one kind: there is no part yet that could be asked."""


def told_apart(source: str, name: str = "") -> list[str]:
    """Return where code tells parts apart by class, by an attribute that only some have, or by kind."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            called, arguments = node.func.id, node.args
            named = {n.id for a in arguments[1:] for n in ast.walk(a) if isinstance(n, ast.Name)}
            if called in TESTS and named & CLASSES:
                found.append(f"{node.lineno}: {called} of {', '.join(named & CLASSES)}")
            texts = {a.value for a in arguments[1:2] if isinstance(a, ast.Constant)}
            if called in {"hasattr", "getattr"} and texts & (OWN - OTHERS):
                found.append(f"{node.lineno}: {called} of {texts}")
        if isinstance(node, ast.Compare):
            parts = [node.left, *node.comparators]
            texts = {n.value for p in parts for n in ast.walk(p) if isinstance(n, ast.Constant)}
            named = {n.id for p in parts for n in ast.walk(p) if isinstance(n, ast.Name)}
            if (texts & (KINDS | CLASSES) and name not in MAY_NAME_A_KIND) or named & CLASSES:
                found.append(f"{node.lineno}: compared with {texts | (named & CLASSES)}")
        if isinstance(node, ast.MatchClass) and isinstance(node.cls, ast.Name) and node.cls.id in CLASSES:
            found.append(f"{node.lineno}: match of {node.cls.id}")
    return found


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_parts_are_asked_and_not_told_apart(path: Path) -> None:
    name = path.relative_to(ROOT).as_posix()
    assert told_apart(path.read_text(encoding="utf-8"), name) == []


@pytest.mark.parametrize(
    "code",
    [
        "isinstance(part, Encoder)",
        "isinstance(part, TorqueSensor | Encoder)",
        "hasattr(part, 'current_control')",
        "getattr(machine, 'rated_torque', None)",
        "type(part) is PmMachine",
        "type(part).__name__ == 'Encoder'",
        "part.part == 'torque_sensor'",
        "part.model in ('pm_synchronous',)",
        "match part:\n    case Coupling():\n        pass",
    ],
)
def test_the_rule_finds_every_way_round_it(code: str) -> None:
    assert told_apart(code)


def test_every_kind_of_part_has_one_file_of_physics() -> None:
    assert {cls.__module__.rpartition(".")[0] for cls in kinds()} == {"shaftloop_models"}
    assert len({cls.__module__ for cls in kinds()}) == len(kinds())
