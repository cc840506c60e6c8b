"""Pictures: what they show, what they survive, and that the same run gives the same file."""

import dataclasses
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest

from drawn import painted, words
from shaftloop.analysis.flow import Flow, Station, energy_flow
from shaftloop.analysis.overlay import lay_over, read_measurement
from shaftloop.answers.run import RunAnswer
from shaftloop.engine.events import Event
from shaftloop.report.canvas import COLOURS, MACHINE_COLOURS, Picture, plain, thinned
from shaftloop.report.files import Outputs, write_answer
from shaftloop.report.run import room
from shaftloop.report.run.energy import energy_picture, summary
from shaftloop.report.run.overview import overview_picture, zoom_window

TURNED = Flow(
    -1.0,
    (Station("drive", True, -5.0, 1.0, -0.5), Station("load", True, 4.0, 1.0, -8.5)),
    ((0, 1, -5.5),),
    tuple((f"m{i}", "loss", 1.0 / (i + 1)) for i in range(14)),
    -3.0,
)


def test_a_folder_holds_every_file(results: RunAnswer, tmp_path: Path) -> None:
    (tmp_path / "m.csv").write_text("time [s],true_torque [N m],drive_speed [rpm]\n0,1,0\n0.5,2,1500\n")
    overlay = lay_over(results.simulation, read_measurement(tmp_path / "m.csv"))
    (tmp_path / "out").mkdir()
    out = Outputs(tmp_path / "out", ("svg", "png"))
    files = write_answer(out, dataclasses.replace(results, overlay=overlay), room, "{}\n")
    names = [path.name for path in files]
    pictures = [f"{name}.{kind}" for name in ("overview", "energy", "overlay") for kind in ("svg", "png")]
    assert names == ["metrics.json", "traces.npz", *pictures]
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == sorted(names)
    for path in files[2:]:
        start = path.read_bytes()[:5]
        assert start == (b"<?xml" if path.suffix == ".svg" else b"\x89PNG\r")


def test_the_same_run_gives_the_same_picture(results: RunAnswer, tmp_path: Path) -> None:
    paths = [tmp_path / "a.svg", tmp_path / "b.svg"]
    for path in paths:
        energy_picture(energy_flow(results.simulation), results.title).write([path])
    assert paths[0].read_bytes() == paths[1].read_bytes()
    assert b"Costs $5 to $x_{" in paths[0].read_bytes()


def test_the_overview_shows_torque_speed_and_power(results: RunAnswer) -> None:
    picture = overview_picture(results.simulation, "", "")
    found = words(picture)
    for label in (
        "torque [N m]",
        "speed [rpm]",
        "power [kW]\nmeans over 1.4 ms",
        "set-point",
        "reading",
        "from grid",
    ):
        assert label in found
    assert len(painted(picture).axes) == 6
    assert "time after the torque step at 0.51 s [ms]" in found


def test_the_closer_look_begins_before_the_step(results: RunAnswer) -> None:
    window = zoom_window(results.simulation)
    assert window is not None
    begin, end, at = window
    assert begin < at == pytest.approx(0.51) and at < end <= 0.58


def test_no_closer_look_where_the_step_fills_the_run(results: RunAnswer, one_machine: RunAnswer) -> None:
    assert zoom_window(one_machine.simulation) is None
    assert zoom_window(dataclasses.replace(results.simulation, duration=0.1)) is None


def test_a_bench_without_torque_shows_the_rest(one_machine: RunAnswer) -> None:
    found = words(overview_picture(one_machine.simulation, "", ""))
    assert "speed [rpm]" in found and "torque [" not in found and "power [W]" in found


@pytest.mark.parametrize(("time", "side"), [(0.1, "left"), (0.5, "right")])
def test_trips_are_marked(results: RunAnswer, time: float, side: str) -> None:
    events = (
        Event(0, time, "exceeded", "top"),
        Event(0, time, "tripped", "top"),
        Event(0, time + 1e-3, "torque_off", "top"),
    )
    picture = overview_picture(dataclasses.replace(results.simulation, events=events), "", "")
    (text,) = [text for text in painted(picture).axes[0].texts if "trips" in text.get_text()]
    assert text.get_text().strip() == f"top trips at {time:g} s" and text.get_ha() == side


def test_milli_and_kilo(results: RunAnswer) -> None:
    tiny = {name: 1e-6 * values for name, values in results.simulation.traces.items()}
    picture = overview_picture(dataclasses.replace(results.simulation, traces=tiny), "", "")
    assert "torque [mN m]" in words(picture)


def test_speeds_stay_in_rpm(results: RunAnswer) -> None:
    fast = {name: 1e3 * values for name, values in results.simulation.traces.items()}
    picture = overview_picture(dataclasses.replace(results.simulation, traces=fast), "", "")
    assert "speed [rpm]" in words(picture) and "torque [kN m]" in words(picture)
    assert max(line.get_ydata().max() for line in painted(picture).axes[2].lines) > 1e6


def test_a_run_that_ended_at_once_can_be_drawn(results: RunAnswer) -> None:
    empty = {name: values[:0] for name, values in results.simulation.traces.items()}
    nothing = dataclasses.replace(
        results.simulation, traces=empty, time=results.simulation.time[:0], duration=0.0
    )
    picture = overview_picture(nothing, "", "")
    assert len(painted(picture).axes) == 2


def test_the_energy_picture_says_what_it_shows(results: RunAnswer) -> None:
    flow = energy_flow(results.simulation)
    found = words(energy_picture(flow, ""))
    assert summary(flow)[1:] in found
    for label in ("grid", "DC link", "drive", "shaft line", "load", "drive: copper loss", "3 smaller ones"):
        assert label in found


def test_energy_that_goes_the_other_way() -> None:
    assert (
        summary(TURNED)
        == "load took 4.00 J from the link, drive returned 5.00 J (125 %), the grid absorbed 1.00 J"
    )
    picture = energy_picture(TURNED, "")
    assert "7 smaller ones" in words(picture)


def test_branches_stand_side_by_side_over_their_line() -> None:
    stations = (TURNED.stations[0], Station("shaft line", False, 0.0, 0.1, 0.2), *TURNED.stations)
    passed = ((0, 1, 7.0), (1, 2, 3.0), (1, 3, -2.0))
    found = words(energy_picture(dataclasses.replace(TURNED, stations=stations, passed=passed), ""))
    for label in ("shaft line", "loss 100 mJ", "stored 200 mJ", "7.00 J", "3.00 J", "2.00 J"):
        assert label in found


def test_one_machine_has_its_own_circle(one_machine: RunAnswer) -> None:
    flow = energy_flow(one_machine.simulation)
    assert [station.name for station in flow.stations] == ["drive", "shaft line"]
    assert "returned" not in energy_picture(flow, "").title


def test_thinning_keeps_the_extremes() -> None:
    x = np.arange(100_000.0)
    y = np.sin(x)
    y[77_777] = 9.0
    thin_x, thin_y = thinned(x, y)
    assert len(thin_x) < 4000 and np.all(np.diff(thin_x) > 0.0)
    assert thin_y.max() == 9.0 and (thin_x[0], thin_x[-1]) == (0.0, 99_999.0)
    assert thinned(x[:100], y[:100])[1] is not None and len(thinned(x[:100], y[:100])[0]) == 100


def test_titles_are_cut_to_three_lines_and_cleaned() -> None:
    assert plain("a\tb\x07") == "a b"
    long = plain("word " * 100)
    assert len(long.splitlines()) == 3 and long.endswith("...")


def test_what_is_compared_in_many_pictures_has_a_colour_of_its_own() -> None:
    own = [COLOURS[name] for name in ("true", "reading", "before", "now", "phase margin", "gain margin")]
    assert len(set(own)) == len(own)
    assert not {COLOURS["true"], COLOURS["reading"], COLOURS["phase margin"]} & set(MACHINE_COLOURS)


def test_a_picture_says_its_finding_in_letters_and_to_those_who_cannot_see(results: RunAnswer) -> None:
    (picture, _) = room.pictures(results)
    assert picture.title == room.verdict(results)[0]
    assert picture.alternative.startswith(picture.title.rstrip(".")) and results.title in picture.alternative
    element = ElementTree.fromstring(picture.svg())
    letters = [node.text for node in element.iter("{http://www.w3.org/2000/svg}text")]
    assert "set-point" in letters and "time [s]" in letters
    assert element[0].tag.endswith("title") and element[0].text == picture.title


def test_every_panel_of_a_shared_logarithmic_axis_has_its_minor_ticks_as_one_row() -> None:
    def paint(figure: Any) -> None:
        for axes in figure.subplots(2, 1, sharex=True):
            axes.semilogx([1.0, 100.0], [0.0, 1.0])
            axes.set_xlim(1.0, 100.0)

    root = ElementTree.fromstring(Picture("x", "", "", "", (6.0, 5.0), paint).svg())
    rows = [sum(child.tag.endswith("}use") for child in group) for group in root.iter()]
    assert rows.count(2 * 8) == 2
