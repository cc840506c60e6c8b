"""Pictures of the fidelity of a reading: what they show, and that nothing in a title breaks them."""

from pathlib import Path
from xml.etree import ElementTree

import pytest

from shaftloop.analysis.fidelity.aliasing import Aliasing, aliasing
from shaftloop.analysis.fidelity.correction import correction
from shaftloop.analysis.fidelity.misalignment import misalignment
from shaftloop.analysis.fidelity.transfer import Fidelity, fidelity
from shaftloop.analysis.simulation import simulate
from shaftloop.report.fidelity_error import draw_error
from shaftloop.report.fidelity_folding import draw_folding
from shaftloop.report.fidelity_pulse import draw_pulse
from shaftloop.report.fidelity_results import FidelityResults
from shaftloop.report.fidelity_tables import show_fidelity
from shaftloop.report.fidelity_time import draw_time
from shaftloop.scenario.reading import read_scenario

TITLE = 'Costs $5 & <b>"x"</b> to $x_{'
SLOW = ("line.ts.sampling=1 kHz", "duration=0.9 s")


@pytest.fixture(scope="module")
def found() -> Fidelity:
    return fidelity(read_scenario("wheel-hub", SLOW).description)


@pytest.fixture(scope="module")
def folds(found: Fidelity) -> Aliasing:
    return aliasing(found, amplitude=20.0, level=0.005)


def size(path: Path) -> int:
    return path.stat().st_size


def test_error_names_bands_and_curves(tmp_path: Path, found: Fidelity) -> None:
    paths = [tmp_path / "error.svg", tmp_path / "error.png"]
    draw_error(found, TITLE, paths)
    assert all(size(path) > 10_000 for path in paths)
    ElementTree.parse(paths[0])


def test_pulse_folding_and_time_are_drawn(tmp_path: Path, found: Fidelity, folds: Aliasing) -> None:
    draw_pulse(found, TITLE, [tmp_path / "pulse.svg"])
    draw_folding(found, folds, TITLE, [tmp_path / "folding.svg"])
    run = simulate(found.description)
    draw_time(found, run, TITLE, [tmp_path / "time.svg"])
    for name in ("pulse", "folding", "time"):
        ElementTree.parse(tmp_path / f"{name}.svg")


def test_orders_without_amplitude_and_a_bench_at_rest_are_drawn(tmp_path: Path) -> None:
    at_rest = fidelity(read_scenario("wheel-hub").description, speed=0.0)
    draw_folding(at_rest, aliasing(at_rest), TITLE, [tmp_path / "folding.png"])
    assert size(tmp_path / "folding.png") > 10_000
    assert all(not entry.lines for entry in aliasing(at_rest).orders)


def test_the_load_may_be_the_unit_and_no_step_the_run(tmp_path: Path) -> None:
    description = read_scenario("wheel-hub", ["unit=load", "duration=0.3 s"]).description
    other = fidelity(description)
    assert other.sign == -1.0 and other.share == pytest.approx(1.0 - 0.2586, abs=1e-3)
    draw_time(other, simulate(description), TITLE, [tmp_path / "time.png"])
    assert size(tmp_path / "time.png") > 10_000


def results_of(source: str | Path, *settings: str, **keys: float) -> FidelityResults:
    scenario = read_scenario(source, settings)
    found = fidelity(scenario.description)
    folds = aliasing(found, **keys)
    bias = correction(scenario.description, found.bench.bench, found.point, folds.level)
    return FidelityResults(scenario, found, folds, bias, (), misalignment(found, 0.005))


def test_tables_say_what_would_keep_ripple_out(capsys: pytest.CaptureFixture[str]) -> None:
    slow = ("line.ts.filter={kind='first_order',cutoff='450 Hz'}", *SLOW)
    show_fidelity(results_of("wheel-hub", *slow, amplitude=20.0, level=0.005), [])
    shown = capsys.readouterr().err
    assert "folded lines stay below 5.00 mN m" in shown and "out of the band of the torque loop" in shown


def test_tables_show_a_misaligned_coupling(capsys: pytest.CaptureFixture[str]) -> None:
    stiff = ("line.c1.bending_stiffness=500 N m/rad", "line.c1.radial_stiffness=1 MN/m")
    show_fidelity(results_of("wheel-hub", "line.c1.angular_offset=1 deg", *stiff), [])
    shown = capsys.readouterr().err
    assert "Misaligned coupling c1" in shown and "transmission error 0.0762 mrad" in shown
    assert "by crosstalk from bending moment" in shown


def test_tables_of_a_bench_that_lacks_much(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "two.toml").write_text(BARE, encoding="utf-8")
    results = results_of(tmp_path / "two.toml")
    show_fidelity(results, [])
    shown = capsys.readouterr().err
    assert "no low-pass; samples show none below 500" in shown and "no torque loop" in shown
    assert "beyond its rate" in shown and "the line has no encoder" in shown
    draw_error(results.found, TITLE, [tmp_path / "error.svg"])
    draw_pulse(results.found, TITLE, [tmp_path / "pulse.svg"])
    draw_folding(results.found, results.aliasing, TITLE, [tmp_path / "folding.svg"])


BARE = """\
title = "Two bodies"
unit = "drive"
duration = "10 ms"

[[line]]
part = "machine"
model = "torque_servo"
name = "drive"
inertia = "0.02 kg m^2"
time_constant = "2 ms"
rate = "8 kHz"
max_torque = "100 N m"
max_speed = "3000 rpm"

[[line]]
part = "torque_sensor"
name = "ts"
rated = "50 N m"
stiffness = "9 kN m/rad"
damping = "2 N m s/rad"
sampling = "2 kHz"

[[line]]
part = "flywheel"
name = "disc"
inertia = "0.02 kg m^2"
"""
