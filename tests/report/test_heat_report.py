"""How warm a run makes the machines: in words, tables, document and picture."""

import dataclasses
from pathlib import Path

import pytest
import tomlkit
from matplotlib.figure import Figure

from drawn import painted, words
from heatbench import document, hold
from report.conftest import results_of
from rigs import step
from shaftloop.analysis.flow import energy_flow
from shaftloop.answers.run import RunAnswer
from shaftloop.report.documents import as_json
from shaftloop.report.quantities import show
from shaftloop.report.run import room
from shaftloop.report.run.energy import energy_picture
from shaftloop.report.run.heat import heat_picture, heat_words, span, tell_heat
from shaftloop.report.run.overview import overview_picture
from shaftloop.report.terminal import Grid

HEAT = {
    "resistance_coefficient": "0.0039 1/K",
    "winding_limit": "90 degC",
    "housing_limit": "190 degC",
}
CYCLE = [step("torque", "70 N m"), hold(1.0), step("torque", "0 N m"), hold(1.0)]


@pytest.fixture(scope="module")
def duty(tmp_path_factory: pytest.TempPathFactory) -> RunAnswer:
    path = tmp_path_factory.mktemp("duty") / "duty.toml"
    path.write_text(tomlkit.dumps({"title": "Rig", "duty": "120 s", **document(HEAT, CYCLE)}), "utf-8")
    return results_of(path)


@pytest.mark.compiled
def test_the_verdict_says_that_and_when_a_limit_is_passed(duty: RunAnswer) -> None:
    first, second, third = room.verdict(duty)
    assert (
        first.startswith("The run does not hold: the winding of m reaches ")
        and "beyond its limit of 90 degC" in first
    )
    assert second.startswith("The winding of m reaches ")
    assert " above its limit, which it passes at " in second and "the duty takes it to " in second
    assert third.startswith("In the cycles that were run the grid ")
    assert any("burn the hand" in text for text in duty.cautions)


@pytest.mark.compiled
def test_the_verdict_of_a_duty_that_holds(tmp_path: Path) -> None:
    path = tmp_path / "cool.toml"
    heat = HEAT | {"winding_limit": "400 degC", "housing_limit": "300 degC"}
    path.write_text(tomlkit.dumps({"title": "Rig", "duty": "8 s", **document(heat, CYCLE)}), "utf-8")
    first, second, _ = room.verdict(results_of(path))
    assert first.startswith("The duty of 8.00 s (4 cycles) ends with no interlock tripped; every part stays")
    assert " below its limit; " in second


@pytest.mark.compiled
def test_tables_have_temperatures_currents_and_the_error(duty: RunAnswer) -> None:
    temperatures, currents, how = tell_heat(duty)
    assert isinstance(temperatures, Grid) and isinstance(currents, Grid)
    winding, housing = (dict(zip(temperatures.columns, row, strict=True)) for row in temperatures.rows)
    assert (winding["body"], housing["body"]) == ("m.winding", "m.housing")
    assert winding["limit after"] == span(duty.metrics["time_to_limit.m.winding"].value or 0.0)
    steady = duty.metrics["steady_temperature.m.winding"].value
    assert housing["limit after"] == "later" and winding["steady"] == f"{steady:.1f}"
    assert [row[0] for row in currents.rows] == ["m"]
    assert duty.simulation.duty is not None
    assert how.startswith(f"{duty.simulation.duty.run} of 60 cycles of 2.00 s were run")


@pytest.mark.compiled
def test_the_document_holds_the_duty(duty: RunAnswer) -> None:
    found = room.document(duty)
    assert as_json(found)
    assert found["duty"]["cycles"] == 60 and found["duty"]["ended"] is None
    assert found["duty"]["length"] == {"value": 120.0, "unit": "s"}
    (load,) = (entry for entry in found["ratings"] if entry["quantity"] == "winding_temperature")
    assert load["beyond_limit"] and load["limit"] == {"value": 90.0, "unit": "degC"}


@pytest.mark.compiled
def test_the_picture_shows_temperatures_limits_and_the_steady_state(duty: RunAnswer) -> None:
    figure = Figure()
    overview_picture(duty.simulation, "", "").paint(figure)
    run = duty.simulation.duty.run
    assert f"time in the {run} of 60 cycles that were run [s]" in [axes.get_xlabel() for axes in figure.axes]
    picture = heat_picture(duty)
    assert picture is not None and picture.title == heat_words(duty)
    shown = words(picture)
    assert "m.winding" in shown and "limit of m.winding" in shown and "time [min]" in shown
    (axes,) = painted(picture).axes
    assert max(max(line.get_ydata()) for line in axes.lines) > 90.0
    shorter = dataclasses.replace(duty, simulation=dataclasses.replace(duty.simulation, heat=None))
    assert heat_picture(shorter) is None and heat_words(shorter) is None and list(tell_heat(shorter)) == []


@pytest.mark.compiled
def test_the_energy_picture_shows_what_the_machine_keeps_as_heat(duty: RunAnswer) -> None:
    """Capacity times rise of the cycles that were run: part of the loss, and of what warms the bodies."""
    flow = energy_flow(duty.simulation)
    (machine,) = [station for station in flow.stations if station.kept is not None]
    assert machine.kept == sum(body.stored for body in duty.simulation.energies.heat)
    assert 0.1 * machine.loss < machine.kept < machine.loss
    assert f"kept as heat {show(machine.kept, 'J', 3)}" in words(energy_picture(flow, "a bench"))
    assert all(station.kept is None for station in flow.stations if not station.machine)


@pytest.mark.parametrize(
    ("seconds", "text"), [(0.25, "250 ms"), (12.0, "12.0 s"), (90.0, "1.5 min"), (5400.0, "1.5 h")]
)
def test_times_are_said_in_the_unit_of_people(seconds: float, text: str) -> None:
    assert span(seconds) == text
