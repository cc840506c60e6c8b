"""The list of mutants keeps up with the source, so that it is of use when somebody runs it."""

import ast
import importlib.util
from collections import Counter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
_spec = importlib.util.spec_from_file_location("mutants_run", ROOT / "tests" / "mutants" / "run.py")
runner = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(runner)
MUTANTS = runner.read_list()


def test_names_are_unique():
    assert [name for name, count in Counter(m["name"] for m in MUTANTS).items() if count > 1] == []


@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda m: m["name"])
def test_a_mutant_applies_once_and_changes_the_program(mutant):
    assert runner.fault(mutant) is None
    assert "\n" not in mutant["old"] + mutant["new"]
    source = (ROOT / mutant["file"]).read_text(encoding="utf-8")
    changed = source.replace(mutant["old"], mutant["new"])
    assert ast.dump(ast.parse(changed)) != ast.dump(ast.parse(source))


@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda m: m["name"])
def test_the_tests_of_a_mutant_are_there(mutant):
    files = [word for line in mutant["tests"] for word in line.split() if word.startswith("tests/")]
    assert files
    for file, _, function in (word.partition("::") for word in files):
        assert f"def {function}" in (ROOT / file).read_text(encoding="utf-8")


def test_mutants_are_spread_over_the_packages():
    packages = Counter(Path(m["file"]).parts[1 if m["file"].startswith("models") else 2] for m in MUTANTS)
    wanted = {
        "shaftloop_models",
        "kernels",
        "control",
        "engine",
        "bench",
        "scenario",
        "analysis",
        "studies",
        "report",
    }
    assert wanted <= set(packages)
    assert sum(m.get("unusual", False) for m in MUTANTS) >= len(MUTANTS) / 2
