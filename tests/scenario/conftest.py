"""A small valid bench as text, and how to change and read it."""

from collections.abc import Sequence
from pathlib import Path

import pytest

from shaftloop.errors import ScenarioError
from shaftloop.scenario.reading import Scenario, read_scenario

SMALL_BENCH = """\
title = "Small bench"
unit = "drive"
duration = "1 s"

[[line]]
part = "machine"
model = "torque_servo"
name = "drive"
inertia = "0.02 kg m^2"
time_constant = "2 ms"
rate = "8 kHz"
max_torque = "200 N m"
max_speed = "3000 rpm"

[[line]]
part = "coupling"
name = "c1"
stiffness = "25 kN m/rad"
damping = "2 N m s/rad"
inertia_right = "0.001 kg m^2"

[[line]]
part = "torque_sensor"
name = "ts"
rated = "200 N m"
stiffness = "60 kN m/rad"
inertia_right = "0.0012 kg m^2"
sampling = "8 kHz"
range = "400 N m"
filter = { kind = "bessel", order = 2, cutoff = "900 Hz" }

[[line]]
part = "coupling"
name = "c2"
stiffness = "25 kN m/rad"

[[line]]
part = "machine"
model = "torque_servo"
name = "load"
inertia = "0.03 kg m^2"
time_constant = "2 ms"
rate = "8 kHz"
max_torque = "200 N m"
max_speed = "3000 rpm"

[[hop]]
name = "bus"
carries = "ts"
period = "500 us"

[[loop]]
name = "speed"
acts_on = "drive"
reads = "drive"
rate = "4 kHz"
kp = "5 N m s/rad"
ki = "40 N m/rad"
clamp = "150 N m"

[[loop]]
name = "torque"
acts_on = "load"
reads = "bus"
rate = "4 kHz"
kp = 0.3
ki = "40 1/s"
clamp = "150 N m"

[[limit]]
name = "overtorque"
watches = "ts"
above = "300 N m"

[[sequence]]
do = "ramp"
loop = "speed"
to = "1000 rpm"
over = "0.3 s"

[[sequence]]
do = "step"
loop = "torque"
to = "50 N m"
"""


class Bench:
    """Writes variants of the small bench and reads them."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "bench.toml"
        self.folder = folder

    def read(self, *edits: tuple[str, str], extra: str = "", settings: Sequence[str] = ()) -> Scenario:
        """Read the bench with texts replaced, each of which must occur, and lines added at its end."""
        text = SMALL_BENCH
        for old, new in edits:
            assert old in text, old
            text = text.replace(old, new, 1)
        self.path.write_text(text + extra, encoding="utf-8")
        return read_scenario(self.path, settings)

    def messages(
        self, *edits: tuple[str, str], extra: str = "", settings: Sequence[str] = ()
    ) -> tuple[str, ...]:
        """Return what the reader says against the bench, file names without their folder."""
        with pytest.raises(ScenarioError) as caught:
            self.read(*edits, extra=extra, settings=settings)
        return tuple(message.replace(f"{self.folder}/", "") for message in caught.value.messages)

    def message(self, *edits: tuple[str, str], extra: str = "", settings: Sequence[str] = ()) -> str:
        """Return the only thing that the reader says."""
        (message,) = self.messages(*edits, extra=extra, settings=settings)
        return message

    def line_of(self, text: str) -> int:
        """Return the line of the file as last written that holds a text first."""
        lines = self.path.read_text(encoding="utf-8").split("\n")
        return next(number for number, line in enumerate(lines, 1) if text in line)


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


@pytest.fixture
def small_bench() -> str:
    return SMALL_BENCH
