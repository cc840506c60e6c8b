"""A run in which something fails says so first, and marks it in its overview."""

from dataclasses import replace
from fractions import Fraction

import matplotlib.figure
import pytest

from shaftloop.answers.run import find_run
from shaftloop.report.run.overview import overview_picture
from shaftloop.report.run.timeline import timeline_picture
from shaftloop.report.run.verdict import verdict
from shaftloop.scenario.description import Fault
from shaftloop.scenario.reading import read_scenario

pytestmark = pytest.mark.compiled


def test_the_first_sentence_and_the_overview_say_what_fails() -> None:
    scenario = read_scenario("wheel-hub")
    fault = Fault("stop", "load", "blocked", Fraction(1))
    bench = replace(scenario.description, fault=(fault,), duration=Fraction(11, 10))
    answer = find_run(replace(scenario, description=bench))
    first = verdict(answer)[0]
    assert first.startswith("load is blocked at 1 s. Interlock overtorque trips at 1.00")
    figure = matplotlib.figure.Figure()
    overview_picture(answer.simulation, first, "").paint(figure)
    texts = [text.get_text() for axes in figure.axes for text in axes.texts]
    for what in ("load is blocked at 1 s", "overtorque trips at"):
        assert any(what in text for text in texts)
    # The words stand above the curves; so does the timeline keep clear of its words.
    top = figure.axes[0]
    lowest = min(text.get_position()[1] for text in top.texts) - 0.09
    highest = max(float(line.get_ydata().max()) for line in top.lines[:3])
    assert top.transLimits.transform((0.0, highest))[1] <= lowest
    line, figure = answer.timeline, matplotlib.figure.Figure()
    picture = timeline_picture(answer, first)
    assert line is not None and picture is not None
    picture.paint(figure)
    (axes,) = figure.axes
    assert axes.get_xlim()[1] < 1.5 * max(moment.time - line.begin for moment in line.moments)
    assert "load is blocked" in [label.get_text() for label in axes.get_yticklabels()]
