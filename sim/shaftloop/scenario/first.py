"""The text of a first scenario, from the few figures that everybody has when a bench is begun.

What is not stated is estimated, and the text marks it, so that data sheets replace it line by line. All
proportions are of machines, sensors and couplings that are similar in shape; common practice, no source.
"""

import math
import re
from dataclasses import dataclass

from shaftloop.cautions import cautions
from shaftloop.scenario.tomltext import with_cautions

__all__ = ["MIND", "FirstBench", "first_scenario", "similar_inertia"]

_SIMILAR = (100.0, 0.03)
"""Torque and inertia of the machine to which all others are similar. [N m], [kg m^2]"""
_RATES = (2000, 4000, 8000, 16000)
"""Of loops, of which the first is taken that is fast enough for the first mode. [Hz]"""
_COLUMN = 40
MIND = cautions("gains", "loose parts", "lockout")
"""What stands over every new scenario."""
_PSI = 0.4
"""Energy that a coupling loses per cycle over its peak elastic energy. [1]"""


@dataclass(frozen=True)
class FirstBench:
    """What is known of a bench that is begun."""

    torque: float
    """Rated, of the machine under test. [N m]"""
    speed: float
    """Rated. [rad/s]"""
    inertia: float | None = None
    """Of the machine under test. [kg m^2]"""
    sensor: float | None = None
    """Rated torque of the sensor. [N m]"""
    coupling: float | None = None
    """Stiffness of each coupling. [N m/rad]"""
    bus: float | None = None
    """Period of the bus that carries the torque reading; nothing where there is none. [s]"""

    @property
    def rotor(self) -> float:
        """Inertia of each machine; torque goes with the size cubed, inertia with its fifth power [kg m^2]."""
        return self.inertia or similar_inertia(self.torque)

    @property
    def range(self) -> float:
        """Rated torque of the sensor: of the series 1, 2, 5, at least 1.5 times that of the machine [N m]."""
        return self.sensor or _series(1.5 * self.torque)

    @property
    def stiffness(self) -> float:
        """Stiffness of each coupling [N m/rad]."""
        return self.coupling or _rounded(200.0 * self.range)

    @property
    def sensor_stiffness(self) -> float:
        """Stiffness of the measuring section [N m/rad]."""
        return _rounded(400.0 * self.range)

    @property
    def mode(self) -> float:
        """Frequency at which the two machines swing against each other [Hz]."""
        between = 1.0 / (2.0 / self.stiffness + 1.0 / self.sensor_stiffness)
        return math.sqrt(2.0 * between / self.rotor) / (2.0 * math.pi)

    @property
    def rate(self) -> int:
        """Rate of the loops [Hz]."""
        return next((rate for rate in _RATES if rate >= 12.0 * self.mode), _RATES[-1])

    @property
    def delay(self) -> float:
        """From command to reading: filter, sampling and latency of the sensor, bus, loop, machine [s]."""
        return 8.0 / self.rate + 1.5 * (self.bus or 0.0)

    @property
    def torque_ki(self) -> float:
        """Integral gain that stays clear of the first mode and of the delay [1/s]."""
        return _rounded(min(0.3 * self.mode, 0.2 / self.delay))

    @property
    def speed_bandwidth(self) -> float:
        """Bandwidth of the speed loop, well below the first mode [rad/s]."""
        return min(0.06 * 2.0 * math.pi * self.mode, 0.08 * self.rate / 8.0)


def similar_inertia(torque: float) -> float:
    """Return the inertia [kg m^2] of a machine of a rated torque [N m] that is similar to others."""
    known, inertia = _SIMILAR
    return _rounded(inertia * (torque / known) ** (5.0 / 3.0))


def first_scenario(name: str, bench: FirstBench) -> str:
    """Return the text of a scenario that reads, runs and keeps its margins."""
    line = "\n".join(
        [_machine(bench, "drive"), _coupling(bench, "c1"), _sensor(bench), _coupling(bench, "c2")]
    )
    text = "\n".join([_head(name, bench), line, _machine(bench, "load"), *_control(bench), _sequence(bench)])
    # Comments behind values stand in one column.
    text = re.sub(r"^([^#\n]+?) +(?=# )", lambda found: f"{found[1]:{_COLUMN}}", text, flags=re.MULTILINE)
    return with_cautions(text, MIND)


def _head(name: str, bench: FirstBench) -> str:
    return f"""\
# A first description of a bench, to be made true line by line: what is an estimate waits for a data sheet.
# See what was understood: shaftloop show {name}.toml
title = "Bench for {_torque(bench.torque)} at {_speed(bench.speed)}"
unit = "drive" # the machine under test

# The shaft line, left to right. Positive speed is the one direction of rotation; torque is positive that
# pushes towards it.
"""


def _machine(bench: FirstBench, name: str) -> str:
    known = bench.inertia is not None and name == "drive"
    return f"""\
[[line]]
part = "machine"
model = "torque_servo" # known by its data sheet; "pm_synchronous" takes currents and losses in
name = "{name}"
inertia = "{bench.rotor:.3g} kg m^2"{"" if known else " # estimate from similar machines"}
rated_torque = "{_torque(bench.torque)}"
max_torque = "{_torque(1.5 * bench.torque)}" # estimate: half as much again as rated
max_speed = "{_speed(1.5 * bench.speed)}"
time_constant = "{_time(4.0 / bench.rate)}" # estimate: how fast torque follows its command
rate = "{2 * bench.rate} Hz"
efficiency = 0.92 # estimate
"""


def _coupling(bench: FirstBench, name: str) -> str:
    return f"""\
[[line]]
part = "coupling"
name = "{name}"
stiffness = "{_stiffness(bench.stiffness)}"{"" if bench.coupling else " # estimate: torsional, dynamic"}
loss_factor_psi = {_PSI} # estimate: elastomer 0.4 to 1, steel discs 0.1
rated = "{_torque(bench.range)}"
"""


def _sensor(bench: FirstBench) -> str:
    torque, inertia = _SIMILAR
    half = 0.015 * inertia * (bench.range / torque) ** (5.0 / 3.0)
    return f"""\
[[line]]
part = "torque_sensor"
name = "ts"
rated = "{_torque(bench.range)}"
limit = "{_torque(2.0 * bench.range)}"
stiffness = "{_stiffness(bench.sensor_stiffness)}" # estimate
inertia_left = "{half:.3g} kg m^2" # estimate
inertia_right = "{half:.3g} kg m^2"
filter = {{ kind = "bessel", order = 2, cutoff = "{bench.rate // 4} Hz" }}
sampling = "{2 * bench.rate} Hz"
latency = "{_time(1.0 / bench.rate)}"
"""


def _control(bench: FirstBench) -> list[str]:
    bandwidth = bench.speed_bandwidth
    kp = _rounded(2.0 * bench.rotor * bandwidth)
    ki = _rounded(kp * bandwidth / 5.0)
    hop = f"""\
# The bus that brings the torque reading to its controller.
[[hop]]
name = "bus"
carries = "ts"
period = "{_time(bench.bus or 0.0)}"
"""
    loops = f"""\
# The drive keeps the speed. Gains of both loops are a careful first guess from inertia, first mode (about
# {bench.mode:.3g} Hz) and delay (about {1e3 * bench.delay:.2g} ms): shaftloop tune finds better ones.
[[loop]]
name = "speed"
acts_on = "drive"
reads = "drive" # ideal feedback; an encoder is a part of the line of its own
rate = "{bench.rate} Hz"
kp = "{kp:.3g} N m s/rad"
ki = "{ki:.3g} N m/rad"
clamp = "{_torque(1.3 * bench.torque)}"
output_latency = "1 sample" # from a tick to the moment when its command is active

# The load machine makes the torque that the sensor shows.
[[loop]]
name = "torque"
acts_on = "load"
reads = "{"bus" if bench.bus else "ts"}"
rate = "{bench.rate} Hz"
kp = 0.02
ki = "{bench.torque_ki:.3g} 1/s"
clamp = "{_torque(1.3 * bench.torque)}"
setpoint_rate = "{_torque(bench.torque / _rounded(3.0 / bench.torque_ki))}/s"
output_latency = "1 sample"

# An interlock: what must never be passed on the shaft takes all torque away.
[[limit]]
name = "overtorque"
watches = "ts"
above = "{_torque(min(1.45 * bench.torque, bench.range))}"
debounce = "{_time(4.0 / bench.rate)}"
reaction = "{_time(8.0 / bench.rate)}"

# Another for the speed: a machine that is left alone by a lost reading or a broken coupling runs away.
# See what else may fail: shaftloop faults
[[limit]]
name = "overspeed"
watches = "drive"
above = "{_speed(1.25 * bench.speed)}"
reaction = "{_time(8.0 / bench.rate)}"
"""
    return [*([hop] if bench.bus else []), loops]


def _sequence(bench: FirstBench) -> str:
    # Inertia alone must not take more than a third of the torque.
    ramp = _rounded(max(0.5, 2.0 * bench.rotor * bench.speed / (0.3 * bench.torque)), 2)
    hold = _rounded(max(0.5, 12.0 / bench.torque_ki), 2)
    steps = [
        ("ramp", f'loop = "speed"\nto = "{_speed(bench.speed)}"\nover = "{ramp:g} s"'),
        ("hold", f'time = "{hold:g} s"'),
        ("step", f'loop = "torque"\nto = "{_torque(0.5 * bench.torque)}"'),
        ("hold", f'time = "{hold:g} s"'),
        ("step", f'loop = "torque"\nto = "{_torque(bench.torque)}"'),
        ("hold", f'time = "{hold:g} s"'),
    ]
    told = "\n\n".join(f'[[sequence]]\ndo = "{what}"\n{keys}' for what, keys in steps)
    return f"""\
# What the bench is asked to do, step after step.
{told}

# What shaftloop check holds it to.
[[expect]]
metric = "margins.torque.ms"
at_most = 1.6

[[expect]]
metric = "margins.speed.ms"
at_most = 1.6

[[expect]]
metric = "simulate.trips"
at_most = 0
"""


def _rounded(value: float, digits: int = 3) -> float:
    return float(f"{value:.{digits}g}")


def _series(value: float) -> float:
    """Return the next of 1, 2, 5, 10, ... that is not below a value."""
    decade = 10.0 ** math.floor(math.log10(value))
    return _rounded(next(step * decade for step in (1.0, 2.0, 5.0, 10.0) if step * decade >= 0.999 * value))


def _torque(value: float) -> str:
    return f"{value / 1e3:.4g} kN m" if value >= 1e3 else f"{value:.4g} N m"


def _speed(value: float) -> str:
    return f"{_rounded(value * 30.0 / math.pi, 6):.10g} rpm"


def _stiffness(value: float) -> str:
    return f"{value / 1e3:.4g} kN m/rad" if value >= 1e3 else f"{value:.4g} N m/rad"


def _time(value: float) -> str:
    return f"{1e3 * value:.6g} ms" if value >= 1e-3 else f"{1e6 * value:.6g} us"
