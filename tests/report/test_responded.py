"""The response of a fitted log beside that of its bench."""

from pathlib import Path

import numpy as np
import pytest
from scipy.signal import lfilter

from shaftloop.analysis.simulation import simulate
from shaftloop.answers.identify import FitAnswer, find_fit
from shaftloop.report.identify import responded
from shaftloop.report.identify.fit import pictures
from shaftloop.scenario.reading import read_scenario
from shaftloop.studies.identification.responses import driven, response_of

SETTINGS = ("duration=400 ms", "record.rate=4 kHz", "sequence.1.period=40 ms")
SHAPE = ("sequence.1.rise=4 ms", "sequence.1.fall=24 ms")


def fitted(folder: Path, *more: str) -> FitAnswer:
    scenario = read_scenario("reference-bench", (*SETTINGS, *SHAPE))
    run, rng = simulate(scenario.description), np.random.default_rng(0)
    columns = {"time [s]": run.time}
    for name in ("reading", *more):
        columns[f"{name} [{run.units[name]}]"] = run.traces[name] + 0.1 * rng.normal(size=len(run.time))
    np.savez(folder / "run.npz", **columns)
    return find_fit(scenario, [folder / "run.npz"], ["line.load.inertia=0.033 kg m^2"])


def test_a_log_with_its_command_shows_the_response(tmp_path: Path) -> None:
    answer = fitted(tmp_path, "torque_command")
    time, fit = pictures(answer), answer.fit
    assert [picture.name for picture in time] == ["fit", "fit_response"]
    assert "from torque_command" in time[1].shows
    time[1].write([tmp_path / "response.png"])
    pair = responded._pair(answer) or pytest.fail("the command drives")
    assert (pair.name, answer.names[pair.output]) == ("torque_command", "reading")
    assert len(driven(answer.replay, pair, fit.measured)) == len(fit.measured[pair.output])


def test_without_a_drive_there_is_none(tmp_path: Path) -> None:
    assert [picture.name for picture in pictures(fitted(tmp_path))] == ["fit"]


def test_the_response_is_that_of_the_filter() -> None:
    rng = np.random.default_rng(0)
    source = rng.normal(size=12_000)
    found = response_of(np.arange(12_000) / 1000.0, source, lfilter([0.1], [1.0, -0.9], source))
    assert found is not None
    expected = 0.1 / np.abs(1.0 - 0.9 * np.exp(-2j * np.pi * found.frequency / 1000.0))
    good = (found.frequency > 1.0) & (found.frequency < 400.0)
    assert np.median(np.abs(found.value[good]) / expected[good]) == pytest.approx(1.0, abs=0.02)
    assert response_of(np.arange(500) / 1000.0, source[:500], source[:500]) is None
