"""A small share of the fuzz: every kind of file, broken; the rest by hand with ``run.py``."""

import random
from pathlib import Path

import pytest
from cases import KINDS, WHOLE, prepare, whole_numbers
from judge import judge

from mutations import broken

SHARE = 3
"""Cases per kind."""

pytestmark = pytest.mark.compiled


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_a_broken_file_ends_in_a_message(tmp_path: Path, kind: str) -> None:
    codes = []
    for number in range(SHARE):
        verdict = judge(prepare(number, tmp_path / "case", [kind]))
        assert verdict.faults == (), number
        codes.append(verdict.code)
    assert set(codes) != {0}


@pytest.mark.parametrize("kind", ["scenario", "measurement", "gains", "trace", "log", "baseline", "study"])
def test_what_is_not_broken_is_accepted(tmp_path: Path, kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Refusing everything would pass the tests above."""
    monkeypatch.setattr("cases.broken", lambda text, rng: text.encode())
    for number in range(2):
        verdict = judge(prepare(number, tmp_path / "case", [kind]))
        assert (verdict.code in (0, 1), verdict.faults) == (True, ())


@pytest.mark.parametrize("number", whole_numbers(10))
def test_no_command_refuses_a_random_bench(tmp_path: Path, number: int) -> None:
    """One of 60, with the shipped benches and those beside the project by hand: run.py --kinds whole."""
    case = prepare(number, tmp_path / "case", [WHOLE])
    verdict = judge(case)
    assert (verdict.code in (0, 1), verdict.faults) == (True, ())


def test_a_case_follows_from_its_number() -> None:
    text = "a = 1\nb = 2\n"
    assert broken(text, random.Random(3)) == broken(text, random.Random(3))
    assert len({broken(text, random.Random(seed)) for seed in range(50)}) > 20
