"""Pictures of modes and crossings: what they say, and that no label covers another."""

import math
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drawn import painted, texts, words
from rigs import SHIPPED, coupling, describe, disc, sensor, servo, smooth_bench, speed_loop
from shaftloop.analysis.interference import Excitation, Interference, find_meetings, interference
from shaftloop.analysis.modes import Mechanics, Mode, find_modes, mechanics
from shaftloop.analysis.operating import operating_point
from shaftloop.bench.assemble import build_bench
from shaftloop.report.modes.campbell import campbell_picture, spread_out
from shaftloop.report.modes.shapes import heading, modes_picture, shortened
from shaftloop.report.modes.verdict import crossing


def forty() -> Mechanics:
    parts = [servo("the-machine-on-the-left", 0.02)]
    for i in range(38):
        parts += [coupling(f"coupling-{i}-of-many", 3e4), disc(f"disc-{i}", 0.02)]
    parts += [sensor("ts", 3e4), servo("right", 0.02)]
    loop = speed_loop("right", 1.0, 0.0)
    return mechanics(build_bench(describe({"duration": "1 s", "line": parts, "loop": [loop]}), smooth=True))


def covering(labels: list[Any]) -> list[tuple[str, str]]:
    """Return pairs of labels that overlap by more than a pixel."""
    boxes = [(label.get_text(), label.get_window_extent().padded(-0.5)) for label in labels]
    return [(a, b) for i, (a, x) in enumerate(boxes) for b, y in boxes[i + 1 :] if x.overlaps(y)]


def both(name: str) -> tuple[Mechanics, tuple[Mode, ...], Interference]:
    bench = smooth_bench(name)
    line = mechanics(bench)
    modes = find_modes(line)
    return line, modes, interference(bench, modes, operating_point(bench).speed)


@pytest.mark.parametrize("name", SHIPPED)
def test_no_label_of_a_shipped_bench_covers_another(name: str) -> None:
    line, modes, found = both(name)
    pictures = (modes_picture(line, modes, "title", ""), campbell_picture(found, modes, ""))
    for picture in pictures:
        assert covering(texts(painted(picture))) == []
    shown = words(pictures[0])
    assert all(part in shown for part in (*line.bodies, *line.springs))
    assert all(heading(i, mode) in shown for i, mode in enumerate(modes[:4], 1))
    orders = words(pictures[1])
    assert all(f"{entry.order:g}x: " in orders for entry in found.excitations)
    assert found.nearest is not None and f"{found.nearest.margin:+.1f} %" in orders


def test_names_of_forty_bodies_stand_side_by_side() -> None:
    line = forty()
    modes = find_modes(line)
    picture = modes_picture(line, modes, "title", "")
    figure = painted(picture)
    assert covering(texts(figure)) == []
    assert len(figure.axes) == 5 and "mode 4" in words(picture)
    assert "unlimited per N m of right" in words(picture)


def test_forty_modes_and_many_orders() -> None:
    modes = find_modes(forty())
    orders = tuple(Excitation(float(n), "as stated") for n in (1, 2, 3, 7, 24, 48, 200, 1000))
    meetings = find_meetings(orders, modes, 100.0, 1000.0)
    picture = campbell_picture(Interference(orders, meetings, 100.0, 1000.0), modes, "")
    shown = words(picture)
    assert "mode 1:" in shown and "mode 39:" in shown and "mode 20:" not in shown
    assert "1000x" in shown and "1000x: " not in shown
    marks = [line for line in painted(picture).axes[0].lines if line.get_marker() == "o"]
    assert len(marks) == len(meetings)


def test_a_line_without_sensor_or_oscillation() -> None:
    keys = {"damping": "1 kN m s/rad"}
    parts = [servo("a", 0.02), coupling("c", 1e3, **keys), servo("b", 0.02)]
    loop = speed_loop("a", 1.0, 0.0)
    description = describe({"duration": "1 s", "line": parts, "loop": [loop]})
    bench = build_bench(description, smooth=True)
    line = mechanics(bench)
    assert find_modes(line) == ()
    found = interference(bench, (), 0.0)
    assert "at ts" not in words(modes_picture(line, (), "title", ""))
    picture = campbell_picture(found, (), "")
    assert picture.title == "No excitation meets a mode up to 10000 rpm"
    assert "0 resonance crossings" in words(picture)


def test_sentences() -> None:
    mode = Mode(80.0, 0.05, {}, {}, {})
    assert heading(1, mode) == "mode 1: 80.00 Hz, damping 5.0 %"
    assert heading(2, Mode(1450.0, 0.0, {}, {}, {})) == "mode 2: 1450 Hz, undamped"
    order = (Excitation(6.0, "as stated"),)
    speed = 2.0 * math.pi * 80.0 / 6.0
    found = Interference(
        order, find_meetings(order, [mode], speed / 1.25, 2.0 * speed), speed / 1.25, 2.0 * speed
    )
    assert crossing(found) == (
        "The resonance crossing nearest to 640.0 rpm lies 25 % above it, at 800.0 rpm: "
        "order 6 (as stated) meets mode 1"
    )
    still = Interference(order, find_meetings(order, [mode], 0.0, 2.0 * speed), 0.0, 2.0 * speed)
    assert crossing(still) == "1 resonance crossing up to 1600 rpm; the operating speed is zero"


def test_a_long_name_keeps_both_ends() -> None:
    assert shortened("coupling-17", 14) == "coupling-17"
    assert shortened("coupling-number-17", 12) == "coupling…-17"
    assert len(shortened("x" * 60, 4)) == 4


@pytest.mark.parametrize("places", [[0.0, 0.0, 0.0], [0.0, 0.05, 0.5, 0.52], [0.0, 1.0], []])
def test_labels_are_spread_around_their_places(places: list[float]) -> None:
    moved = spread_out(places, 0.1)
    assert all(b - a > 0.1 - 1e-12 for a, b in pairwise(moved))
    assert np.mean(moved or [0.0]) == pytest.approx(np.mean(places or [0.0]))


def test_pictures_are_the_same_every_time(tmp_path: Path) -> None:
    line, modes, found = both("reference-bench")
    text = "Costs $5 to $x_{"
    for picture in (modes_picture(line, modes, text, text), campbell_picture(found, modes, text)):
        paths = [tmp_path / "a.svg", tmp_path / "b.svg"]
        for path in paths:
            picture.write([path])
        assert paths[0].read_bytes() == paths[1].read_bytes()
