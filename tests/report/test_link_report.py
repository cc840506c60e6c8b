"""The picture of a DC link whose voltage is a state."""

import pytest
from matplotlib.figure import Figure

from report.conftest import results_of
from shaftloop.report.run.link import link_picture


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


def test_a_stiff_link_has_no_picture() -> None:
    assert link_picture(results_of("truck-axle", "duration=20 ms")) is None
