"""Tables and pictures of the fidelity of a reading: what they say, and that no title breaks them."""

import warnings
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from fidelity_bench import BARE, RICH
from shaftloop.analysis.fidelity.aliasing import Aliasing, aliasing
from shaftloop.analysis.fidelity.bands import Band
from shaftloop.analysis.fidelity.correction import correction
from shaftloop.analysis.fidelity.misalignment import misalignment
from shaftloop.analysis.fidelity.transfer import Fidelity, fidelity
from shaftloop.analysis.simulation import simulate
from shaftloop.answers.fidelity import FidelityAnswer
from shaftloop.report.fidelity.error import error_picture
from shaftloop.report.fidelity.folding import folding_picture
from shaftloop.report.fidelity.pulse import pulse_picture
from shaftloop.report.fidelity.tables import details
from shaftloop.report.fidelity.time import time_picture
from shaftloop.report.fidelity.verdict import verdict
from shaftloop.report.quantities import show
from shaftloop.report.terminal import print_details
from shaftloop.scenario.reading import Scenario, read_scenario

TITLE = 'Costs $5 & <b>"x"</b> to $x_{'


def scenario_of(folder: Path, text: str, *settings: str) -> Scenario:
    path = folder / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return read_scenario(path, settings)


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Fidelity:
    return fidelity(scenario_of(tmp_path_factory.mktemp("rich"), RICH).description)


@pytest.fixture(scope="module")
def folds(found: Fidelity) -> Aliasing:
    return aliasing(found, amplitude=20.0, level=0.005)


def test_pictures_of_a_bench_with_everything(tmp_path: Path, found: Fidelity, folds: Aliasing) -> None:
    run = simulate(found.description)
    pictures = [
        error_picture(found, TITLE),
        pulse_picture(found, TITLE),
        folding_picture(found, folds, TITLE),
        time_picture(found, run, TITLE),
    ]
    for picture in pictures:
        path = tmp_path / f"{picture.name}.svg"
        picture.write([path])
        letters = "".join(ElementTree.parse(path).getroot().itertext())
        assert TITLE in letters and picture.title[:40] in letters


def test_the_folding_picture_says_whether_anything_folds(found: Fidelity, folds: Aliasing) -> None:
    highest = max(entry.ripple.order for entry in folds.orders)
    limit = np.pi * found.sampling / highest
    above, below = (replace(folds, max_speed=share * limit) for share in (1.01, 0.99))
    said = show(limit, "rad/s")
    assert folding_picture(found, above, "").title.startswith(f"Order {highest:g} folds above {said}")
    calm = folding_picture(found, below, "").title
    assert calm.startswith(f"No aliasing up to {show(0.99 * limit, 'rad/s')}: ")
    none = folding_picture(found, replace(folds, orders=(), band=0.2 * found.sampling), "")
    assert none.title.startswith("No order of torque ripple")
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # A band above all that is drawn leaves the layout no room.
        none.svg()


def test_orders_without_amplitude_and_a_bench_at_rest_are_drawn(tmp_path: Path) -> None:
    at_rest = fidelity(scenario_of(tmp_path, RICH).description, speed=0.0)
    entries = aliasing(at_rest)
    folding_picture(at_rest, entries, TITLE).write([tmp_path / "folding.png"])
    assert (tmp_path / "folding.png").stat().st_size > 10_000
    assert all(not entry.lines and not entry.received for entry in entries.orders)


def test_the_load_may_be_the_unit_and_no_step_the_run(tmp_path: Path) -> None:
    description = scenario_of(tmp_path, RICH, "unit=load", "duration=0.05 s").description
    other = fidelity(description)
    assert other.sign == -1.0 and other.share == pytest.approx(0.042 / 0.102)
    time_picture(other, simulate(description), TITLE).write([tmp_path / "time.png"])
    assert (tmp_path / "time.png").stat().st_size > 10_000


def results_of(scenario: Scenario, **keys: float) -> FidelityAnswer:
    found = fidelity(scenario.description)
    folds = aliasing(found, **keys)
    bias = correction(scenario.description, found.bench, found.point, folds.level)
    return FidelityAnswer(scenario, found, folds, bias, (), misalignment(found, 0.005))


def test_tables_say_what_would_keep_ripple_out(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    print_details(details(results_of(scenario_of(tmp_path, RICH), amplitude=20.0, level=0.005)))
    shown = capsys.readouterr().out
    assert "folded lines stay below 5.00 mN m" in shown and "out of the band of the torque loop" in shown


def test_tables_show_a_misaligned_coupling(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    stiff = ("line.c1.bending_stiffness=500 N m/rad", "line.c1.radial_stiffness=1 MN/m")
    print_details(details(results_of(scenario_of(tmp_path, RICH, "line.c1.angular_offset=1 deg", *stiff))))
    shown = capsys.readouterr().out
    assert "Misaligned coupling c1" in shown and "transmission error 0.0762 mrad" in shown
    assert "by crosstalk from bending moment" in shown


def test_tables_and_pictures_of_a_bench_that_lacks_much(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    results = results_of(scenario_of(tmp_path, BARE))
    print_details(details(results))
    shown = capsys.readouterr().out
    assert "no low-pass; samples show none below 500" in shown and "no torque loop" in shown
    assert "beyond its rate" in shown and "no encoder turns with the sensor" in shown
    for picture in (error_picture, pulse_picture):
        picture(results.found, TITLE).write([tmp_path / "bare.svg"])
        ElementTree.parse(tmp_path / "bare.svg")
    folding_picture(results.found, results.aliasing, TITLE).write([tmp_path / "folding.svg"])
    ElementTree.parse(tmp_path / "folding.svg")


@pytest.mark.parametrize(
    ("mechanics", "signal", "says"),
    [
        ((None, False), (177.0, True), "the mechanics limit it"),
        ((90.0, True), (177.0, True), "the mechanics limit it"),
        ((None, True), (177.0, True), "the signal path limits it"),
        ((90.0, True), (None, False), "the signal path limits it"),
        ((None, False), (None, False), "mechanics and signal path limit it"),
    ],
)
def test_what_is_nowhere_limits_the_band(
    tmp_path: Path, mechanics: tuple[float | None, bool], signal: tuple[float | None, bool], says: str
) -> None:
    results = results_of(scenario_of(tmp_path, BARE))
    bands = {"mechanical": mechanics, "signal": signal}
    changed = {part: (Band("5 %", None, *entry),) for part, entry in bands.items()}
    found = replace(results.found, bands={**results.found.bands, **changed})
    assert says in verdict(replace(results, found=found))[0]
