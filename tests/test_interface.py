"""Shaftloop from Python: the answers are those of the commands."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import shaftloop
from shaftloop.answers.run import RunAnswer
from shaftloop.errors import ScenarioError
from shaftloop.studies.responses import evaluate

SHORT = {"duration": "30 ms"}


@pytest.fixture(scope="module")
def bench() -> shaftloop.TestBench:
    return shaftloop.read("reference-bench", SHORT)


@pytest.fixture(scope="module")
def run(bench: shaftloop.TestBench) -> RunAnswer:
    return bench.simulate()


def test_the_package_offers_its_interface_and_loads_it_late() -> None:
    assert set(shaftloop.__all__) <= set(dir(shaftloop))
    with pytest.raises(AttributeError, match="no attribute 'reed'"):
        _ = shaftloop.reed
    code = "import sys, shaftloop; print('numpy' in sys.modules, 'shaftloop.interface' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False"]


def test_figures_of_answers_are_those_of_checks_and_studies(
    bench: shaftloop.TestBench, run: RunAnswer
) -> None:
    names = ["simulate.peak_true_torque", "margins.torque.ms", "modes.1.frequency"]
    expected = evaluate(bench.scenario.description, names)
    assert bench.figures(*names) == expected
    assert run.figures["peak_true_torque"] == expected[names[0]]
    margins = bench.margins("torque")
    assert list(margins.loops) == ["torque"]
    assert margins.figures["torque.ms"] == expected[names[1]]
    assert bench.modes().figures["1.frequency"] == expected[names[2]]


def test_settings_hold_for_every_question_and_add_up(bench: shaftloop.TestBench) -> None:
    soft = bench.changed({"line.c1.stiffness": "5 kN m/rad"})
    assert soft.scenario.settings == ("duration=30 ms", "line.c1.stiffness=5 kN m/rad")
    plain, other = (b.modes().figures["1.frequency"].value for b in (bench, soft))
    assert plain is not None and other is not None and other < plain
    assert "reference-bench" in repr(soft)


def test_a_question_that_cannot_be_asked_says_so_without_naming_options(bench: shaftloop.TestBench) -> None:
    with pytest.raises(ScenarioError, match=r'^`loops` "torqe": no such loop') as caught:
        bench.margins("torqe")
    assert "--" not in str(caught.value)
    with pytest.raises(ScenarioError, match="say which loop to tune, speed or torque"):
        bench.tune()
    with pytest.raises(ScenarioError, match="is no response of this bench"):
        bench.figures("margins.torque.mss")
    with pytest.raises(ScenarioError, match="stiffnes"):
        shaftloop.read("reference-bench", {"line.c1.stiffnes": "1 kN m/rad"})


def test_frames_hold_figures_and_traces_with_their_units(run: RunAnswer) -> None:
    pytest.importorskip("pandas")
    table = run.to_pandas()
    assert table.loc["peak_true_torque", "value"] == run.metrics["peak_true_torque"].value
    assert table.loc["peak_true_torque", "unit"] == "N m"
    traces = run.traces_to_pandas()
    assert np.array_equal(traces["true_torque"], run.simulation.traces["true_torque"])
    units = traces.attrs["units"]
    assert traces.index.name == "time" and (units["time"], units["drive_speed"]) == ("s", "rad/s")
    pytest.importorskip("xarray")
    dataset = run.to_xarray()
    assert dataset["reading"].attrs["units"] == "N m" and dataset["time"].attrs["units"] == "s"
    assert dataset.sizes["time"] == len(run.simulation.time)


def test_a_notebook_shows_title_figures_and_picture_escaped() -> None:
    marked = shaftloop.read("reference-bench", {**SHORT, "title": '"<b>5 & 6</b>"'})
    for answer in (marked.simulate(), marked.modes(), marked.margins("torque")):
        page = answer._repr_html_()
        assert "&lt;b&gt;5 &amp; 6&lt;/b&gt;" in page and "<b>" not in page
        assert "<svg" in page and "<td>" in page


def test_loops_are_handed_to_python_control(bench: shaftloop.TestBench) -> None:
    found = bench.margins("torque").loops["torque"]
    assert found.opened().dt == found.margins.hyperperiod
    assert max(abs(found.closed().poles())) == pytest.approx(found.margins.largest_eigenvalue, rel=1e-6)


def test_a_study_is_asked_from_python(tmp_path: Path) -> None:
    file = tmp_path / "s.toml"
    file.write_text(
        'title = "Two gains"\nscenario = "reference-bench"\nsettings = ["duration=20 ms"]\n'
        '[design]\nkind = "grid"\n[[factor]]\npath = "loop.torque.kp"\nvalues = [0.1, 0.2]\n'
        '[[response]]\nmetric = "simulate.peak_true_torque"\n'
    )
    kept = shaftloop.study(file, out=tmp_path)
    again = shaftloop.study(file)
    values = kept.table.figures["simulate.peak_true_torque"].values
    assert np.array_equal(values, again.table.figures["simulate.peak_true_torque"].values)
    peak = "simulate.peak_true_torque"
    single = shaftloop.read("reference-bench", {"duration": "20 ms", "loop.torque.kp": 0.2}).figures(peak)
    assert values[1] == single[peak].value


def test_torque_sensors_are_judged_from_python() -> None:
    bench = shaftloop.read("wheel-hub", {"duration": "0.8 s"})
    sensors = bench.sensors(uncertainty=0.005, peak=95.0)
    assert any(entry.serves for entry in sensors.judged) and sensors.demand.uncertainty == 0.005
    assert sensors.scenario is bench.scenario
    with pytest.raises(ScenarioError, match="point"):
        bench.sensors(points=["800 rpm"])
