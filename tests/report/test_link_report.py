"""The picture of a DC link whose voltage is a state."""

import pytest
from matplotlib.figure import Figure

from report.conftest import results_of
from shaftloop.analysis.flow import energy_flow
from shaftloop.report.run.energy import energy_picture
from shaftloop.report.run.link import link_picture
from shaftloop.report.run.tables import details
from shaftloop.report.terminal import Grid


def test_the_picture_shows_the_voltage_and_every_level() -> None:
    answer = results_of("rectifier-hub", "supply.overvoltage=600 V")
    picture = link_picture(answer)
    assert picture is not None and picture.title.startswith("The link stays between 401.4 V and 48")
    assert "brake takes 2" in picture.title
    figure = Figure()
    picture.paint(figure)
    axes = figure.axes[0]
    said = {text.get_text().split(",")[0] for text in axes.texts}
    assert said == {"undervoltage", "without load", "overvoltage", "brake on", "brake off"}
    highest = answer.simulation.peaks["link.voltage"][1]
    assert max(axes.lines[0].get_ydata()) == pytest.approx(highest, abs=0.5)


def test_what_is_left_in_the_link_is_told() -> None:
    answer = results_of("rectifier-hub", "duration=20 ms")
    said = list(details(answer))
    rows = [row for piece in said if isinstance(piece, Grid) for row in piece.rows]
    left = next(row for row in rows if row[0] == "voltage of the link")
    volts = answer.metrics["at_end.link_voltage"].value
    assert float(left[1].split()[0]) == pytest.approx(volts, rel=1e-3) and volts > 390.0
    energy = answer.metrics["at_end.link_energy"].value
    assert energy == pytest.approx(0.5 * 1.5e-3 * volts**2)
    assert any(isinstance(piece, str) and "the link is left with" in piece for piece in said)
    assert any("the link keeps its voltage" in caution for caution in answer.cautions)


def test_the_energy_picture_shows_what_stays_at_the_link() -> None:
    simulation = results_of("rectifier-hub").simulation
    flow = energy_flow(simulation)
    kept = dict(flow.beside)
    assert (
        list(kept) == ["brake", "loss", "stored"]
        and kept["brake"] == simulation.energies.losses["brake.heat"]
    )
    at_machines = sum(station.link for station in flow.stations)
    assert sum(kept.values()) == pytest.approx(flow.grid - at_machines, rel=1e-4)
    figure = Figure()
    energy_picture(flow, "a bench").paint(figure)
    said = {text.get_text().split("\n")[0] for text in figure.axes[0].texts}
    assert {"brake", "loss", "stored", "DC link"} <= said
    assert energy_flow(results_of("truck-axle", "duration=20 ms").simulation).beside == ()


def test_a_stiff_link_has_no_picture() -> None:
    assert link_picture(results_of("truck-axle", "duration=20 ms")) is None
