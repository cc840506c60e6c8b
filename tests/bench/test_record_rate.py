"""The rate of recording follows the length of the run, unless it is stated."""

import pytest

from shaftloop.answers.run import find_run
from shaftloop.bench import assemble
from shaftloop.bench.assemble import build_bench
from shaftloop.scenario.reading import read_scenario

PLAIN = ("record={}", "duration=20 ms")


def period(*settings: str) -> tuple[float, int]:
    bench = build_bench(read_scenario("reference-bench", settings).description)
    return float(bench.record_period), bench.record_sparser


def test_a_short_run_takes_every_sample_of_the_sensor_and_a_long_one_few_of_them() -> None:
    usual, sparser = period("record={}", "duration=2 s")
    assert sparser == 1
    long, sparser = period("record={}", "duration=300 s")
    assert sparser > 1 and long == pytest.approx(sparser * usual)
    assert 200_000 < 300.0 / long <= 400_000
    assert period("record.rate=10 kHz", "duration=300 s") == (1e-4, 1)


def test_a_run_says_that_its_records_are_far_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    assert not [
        note for note in find_run(read_scenario("reference-bench", PLAIN)).notes if "long run" in note
    ]
    monkeypatch.setattr(assemble, "_MOST_RECORDS", 50)
    answer = find_run(read_scenario("reference-bench", PLAIN))
    (note,) = (note for note in answer.notes if "long run" in note)
    rate = 1.0 / float(answer.simulation.bench.record_period)
    assert f"recorded at {rate:g} Hz instead of {rate * answer.simulation.bench.record_sparser:g} Hz" in note
    assert len(answer.simulation.time) <= 52
    assert answer.simulation.time[1] - answer.simulation.time[0] == pytest.approx(1.0 / rate)
