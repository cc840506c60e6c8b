"""The description of a bench: what the reader makes of a scenario file."""

from dataclasses import dataclass, field
from fractions import Fraction
from typing import Annotated, Literal, cast

from shaftloop.control.parameters import Hop, Loop
from shaftloop.scenario.ratios import ShaftOrder
from shaftloop.scenario.uncertainty import Uncertainty
from shaftloop.scenario.units import Stated
from shaftloop_models.brake_resistor import BrakeResistor
from shaftloop_models.parameters import Number, Quantity
from shaftloop_models.part import Machine, Part, Sensor
from shaftloop_models.power_meter import PowerMeter
from shaftloop_models.supply import Rectifier, Stiff, TwoWay

__all__ = [
    "FILLED",
    "LEVEL_UNITS",
    "Condition",
    "Description",
    "EmergencyStop",
    "End",
    "Expect",
    "Fault",
    "FaultKind",
    "Grid",
    "Hold",
    "Limit",
    "Machine",
    "Move",
    "Part",
    "PeriodicStep",
    "Ramp",
    "Record",
    "Settle",
    "Sine",
    "Step",
    "Stop",
    "Trace",
    "Trip",
]

FILLED = {"filled": True}
"""Marks a field that the scenario does not state: the reader fills it."""

_LEVEL = ("rad/s", "rad")


@dataclass(frozen=True)
class Step:
    """Change a set-point at once."""

    do: Literal["step"]
    loop: str
    to: Annotated[float, Quantity("N m", "new set-point", also=_LEVEL)]


@dataclass(frozen=True)
class Ramp:
    """Change a set-point at a constant rate; the next step waits for the end, unless `wait` is false."""

    do: Literal["ramp"]
    loop: str
    to: Annotated[float, Quantity("N m", "set-point at the end", also=_LEVEL)]
    over: Annotated[Fraction, Quantity("s", "duration", gt=0.0)]
    wait: Annotated[bool, Number("false: the next step starts at the same time")] = True


@dataclass(frozen=True)
class Hold:
    """Leave everything as it is."""

    do: Literal["hold"]
    time: Annotated[Fraction, Quantity("s", "duration", gt=0.0)]


@dataclass(frozen=True)
class PeriodicStep:
    """Switch a set-point between two levels, period after period.

    It is `high` while ``rise <= (t − start) mod period < fall``, else `low`.
    """

    do: Literal["periodic_step"]
    loop: str
    low: Annotated[float, Quantity("N m", "set-point outside the pulse", also=_LEVEL)]
    high: Annotated[float, Quantity("N m", "set-point inside the pulse", also=_LEVEL)]
    period: Annotated[Fraction, Quantity("s", "period", gt=0.0)]
    rise: Annotated[Fraction, Quantity("s", "start of the pulse within the period", ge=0.0)]
    fall: Annotated[Fraction, Quantity("s", "end of the pulse within the period", gt=0.0)]
    time: Annotated[Fraction | None, Quantity("s", "duration; without end where left out", gt=0.0)] = None
    wait: Annotated[bool, Number("false: the next step starts at the same time")] = True


@dataclass(frozen=True)
class Sine:
    """Move a set-point as mean + amplitude·sin(2πf·(t − start))."""

    do: Literal["sine"]
    loop: str
    mean: Annotated[float, Quantity("N m", "mean", also=_LEVEL)]
    amplitude: Annotated[float, Quantity("N m", "amplitude", ge=0.0, also=_LEVEL)]
    frequency: Annotated[float, Quantity("Hz", "frequency", gt=0.0)]
    time: Annotated[Fraction | None, Quantity("s", "duration; without end where left out", gt=0.0)] = None
    wait: Annotated[bool, Number("false: the next step starts at the same time")] = True


@dataclass(frozen=True)
class Trace:
    """Move a set-point along a recorded trace, with straight lines between its points.

    The CSV file has a header line; the first column is ``time [s]``; `column` names the other, its unit
    in brackets.
    """

    do: Literal["trace"]
    loop: str
    file: Annotated[str, Number("CSV file, beside the scenario file or below it")]
    column: Annotated[str, Number("header of the column, e.g. torque [N m]")]
    wait: Annotated[bool, Number("false: the next step starts at the same time")] = True
    times: tuple[float, ...] = field(default=(), metadata=FILLED)
    """Filled by the reader. [s]"""
    values: tuple[float, ...] = field(default=(), metadata=FILLED)
    """Filled by the reader. [N m], [rad/s] or [rad]"""


@dataclass(frozen=True)
class Settle:
    """Wait until a loop has settled: its error stays within a bound for a time."""

    do: Literal["settle"]
    loop: str
    within: Annotated[float, Quantity("N m", "largest error", gt=0.0, also=_LEVEL)]
    dwell: Annotated[Fraction, Quantity("s", "time the error must stay inside", gt=0.0)]
    timeout: Annotated[Fraction, Quantity("s", "longest wait", gt=0.0)]


@dataclass(frozen=True)
class Trip:
    """Take the torque away, as an interlock does; what turns coasts. Steps behind it move no machine."""

    do: Literal["trip"]
    action: Annotated[
        Literal["torque_off", "ramp_down"], Number("all torque commands to zero at once, or over ramp_time")
    ] = "torque_off"
    ramp_time: Annotated[Fraction, Quantity("s", "duration of ramp_down", gt=0.0)] = Fraction(1, 2)


@dataclass(frozen=True)
class EmergencyStop:
    """Stop the bench: torque off at once, or set-points ramped to zero and torque off then.

    The stop categories 0 and 1 of IEC 60204-1 (from memory). Steps behind it move no machine.
    """

    do: Literal["emergency_stop"]
    category: Annotated[int, Number("0: torque off at once; 1: a controlled stop first", ge=0, le=1)] = 0
    over: Annotated[Fraction, Quantity("s", "duration of the controlled stop of category 1", gt=0.0)] = (
        Fraction(1)
    )

    @property
    def taken(self) -> Fraction:
        """Time until the torque is off [s]."""
        return self.over if self.category == 1 else Fraction(0)


@dataclass(frozen=True)
class End:
    """End the run here; it brings no machine to rest, and what turns still turns."""

    do: Literal["end"]


@dataclass(frozen=True)
class Stop(End):
    """Old word for `end`."""

    do: Literal["stop"]  # type: ignore[assignment]


@dataclass(frozen=True)
class Grid:
    """Change the voltage of the line: 0 where the grid is lost or the contactor opens."""

    do: Literal["grid"]
    to: Annotated[float, Number("share of the line's voltage; 0: grid lost, contactor open", ge=0.0, le=1.2)]


SequenceStep = (
    Step | Ramp | Hold | PeriodicStep | Sine | Trace | Settle | Trip | EmergencyStop | End | Stop | Grid
)
Move = Step | Ramp | PeriodicStep | Sine | Trace
"""Steps that move the set-point of a loop."""


LEVEL_UNITS = {
    "true_torque": "N m",
    "speed": "rad/s",
    "speed_difference": "rad/s",
    "voltage": "V",
    "current": "A",
    "temperature": "degC",
    "age": "s",
}
"""Unit of what can be watched; that of a reading depends on the part."""
_WATCHED = ("rad/s", "V", "A", "degC", "s")


@dataclass(frozen=True, kw_only=True)
class Condition:
    """What is watched, in an interlock or `when` of a fault: one of `above`, `below`, `jump`, `outside`."""

    watches: Annotated[str, Number("part of the line, hop, or supply; of a machine its speed")]
    above: Annotated[
        float | None, Quantity("N m", "met beyond this level, either sign", gt=0.0, also=_WATCHED)
    ] = None
    below: Annotated[
        float | None,
        Quantity("N m", "met below this level, once it has been reached", gt=0.0, also=_WATCHED),
    ] = None
    jump: Annotated[
        float | None,
        Quantity(
            "N m", "met where a reading changes by more from one sample to the next", gt=0.0, also=("rad/s",)
        ),
    ] = None
    outside: Annotated[
        tuple[float, float] | None,
        Quantity("N m", "met outside this band, with its sign, once inside it", also=_WATCHED),
    ] = None
    quantity: Annotated[
        Literal[
            "reading", "true_torque", "speed", "speed_difference", "voltage", "current", "temperature", "age"
        ],
        Number(
            "what a sensor says, what a shaft carries, how fast a body turns, by how much the ends of "
            "a spring differ in that, voltage of the supply's link, current or winding of a machine, "
            "how long ago the last frame that has arrived over a hop was taken"
        ),
    ] = "reading"
    debounce: Annotated[Fraction, Quantity("s", "how long without a break", ge=0.0)] = Fraction(0)

    @property
    def level(self) -> tuple[str, tuple[float, ...]]:
        """Key and levels of what is stated: two of a band, else one."""
        if self.outside is not None:
            return "outside", self.outside
        stated = (("above", self.above), ("below", self.below), ("jump", self.jump))
        return next((key, (value,)) for key, value in stated if value is not None)


@dataclass(frozen=True, kw_only=True)
class Limit(Condition):
    """An interlock: it acts, once and for good, where a condition is met."""

    name: str
    reaction: Annotated[Fraction, Quantity("s", "from the trip to the action", ge=0.0)] = Fraction(0)
    action: Annotated[
        Literal["torque_off", "ramp_down", "short", "pulses_off", "resistor_on", "contactor_open"],
        Number(
            "all torque commands to zero at once, or over ramp_time; terminals of a PM machine shorted, or "
            "the pulses of its inverter blocked; "
            "brake resistor on for good; grid off"
        ),
    ] = "torque_off"
    on: Annotated[
        str | None,
        Number("machine or brake resistor that the action is about; all of them where left out"),
    ] = None
    ramp_time: Annotated[Fraction, Quantity("s", "duration of ramp_down", gt=0.0)] = Fraction(1, 2)


_OfPart = Literal["broken", "blocked", "torque_off", "command_stuck", "shorted", "pulses_off"]
_OfReading = Literal["stuck", "zero", "full_scale", "shifted", "drifting"]
_OfBus = Literal["lost", "late", "jittering"]
FaultKind = Literal[_OfPart, _OfReading, _OfBus, "stalled", "does_not_act", "grid_lost", "open"]


@dataclass(frozen=True)
class Fault:
    """Something that fails in a run; analyses of the healthy bench leave it out."""

    name: str
    on: Annotated[str, Number("part, loop, hop, limit or brake resistor that fails, or supply")]
    kind: Annotated[FaultKind, Number("how it fails")]
    at: Annotated[Fraction, Quantity("s", "when, from the start of the run", ge=0.0)] = Fraction(0)
    when: Condition | None = None
    until: Annotated[Fraction | None, Quantity("s", "its end; it lasts where left out", gt=0.0)] = None
    by: Annotated[float, Quantity("N m", "how far a shifted reading is off")] = 0.0
    rate: Annotated[float, Quantity("N m/s", "how fast a drifting reading goes off, from 0")] = 0.0
    lateness: Annotated[
        Fraction, Quantity("s", "how late late frames are, jittering ones at most", ge=0.0)
    ] = Fraction(0)


@dataclass(frozen=True)
class Expect:
    """What must hold of a figure of the bench; `shaftloop check` looks at it, nothing else does.

    Bounds and tolerance are in the unit of the figure, as bare numbers where it has none.
    """

    metric: Annotated[str, Number("figure that is judged, e.g. margins.torque.ms")]
    at_most: Annotated[Stated | None, Number("upper bound")] = None
    at_least: Annotated[Stated | None, Number("lower bound")] = None
    tolerance: Annotated[Stated | None, Number("largest change for the worse from the baseline")] = None
    relative_tolerance: Annotated[
        float | None, Quantity("1", "the same as a share of the baseline", ge=0.0, le=10.0)
    ] = None
    name: str | None = None
    why: Annotated[str | None, Number("reason, shown where the check fails")] = None


@dataclass(frozen=True)
class Record:
    """What is recorded."""

    rate: Annotated[
        Fraction | None, Quantity("Hz", "rate; the sensor's where left out, lower in long runs", gt=0.0)
    ] = None
    channels: Annotated[tuple[str, ...], Number("channels beyond the standard ones")] = ()


@dataclass(frozen=True)
class Description:
    """A bench and what it is asked to do, in SI units."""

    title: str
    line: tuple[Part, ...]
    unit: Annotated[str | None, Number("machine under test")] = None
    supply: Stiff | Rectifier | TwoWay = Stiff()
    brake_resistor: tuple[BrakeResistor, ...] = ()
    loop: tuple[Loop, ...] = ()
    hop: tuple[Hop, ...] = ()
    sequence: tuple[SequenceStep, ...] = ()
    limit: tuple[Limit, ...] = ()
    fault: tuple[Fault, ...] = ()
    power_meter: tuple[PowerMeter, ...] = ()
    expect: tuple[Expect, ...] = ()
    record: Record = Record()
    duration: Annotated[
        Fraction | None, Quantity("s", "length of the run; the sequence's where left out", gt=0.0)
    ] = None
    duty: Annotated[
        Fraction | None, Quantity("s", "repeat the sequence, the cycle of a duty, for this long", gt=0.0)
    ] = None
    seed: Annotated[int, Number("seed of the noise", ge=0, le=2**32 - 1)] = 0
    uncertainty: Uncertainty | None = None
    orders: Annotated[
        tuple[ShaftOrder, ...],
        Number("further excitations per turn, e.g. slots, for the Campbell diagram", gt=0.0, le=1000.0),
    ] = ()

    def machines(self) -> list[Machine]:
        """Return the machines of the line, left to right."""
        return [cast(Machine, part) for part in self.line if part.drives]

    def readers(self, signal: str) -> list[Sensor]:
        """Return the parts that show a quantity, ``torque`` or ``speed``, left to right."""
        return [cast(Sensor, part) for part in self.line if part.signal == signal and part.samples]

    def part(self, name: str) -> Part | None:
        """Return the part of a name, nothing where there is none."""
        return next((part for part in self.line if part.name == name), None)

    def limit_unit(self, limit: Condition) -> str:
        """Return the unit of the level of a condition: that of what it watches."""
        if limit.quantity != "reading":
            return LEVEL_UNITS[limit.quantity]
        part = self.part(limit.watches)
        return "rad/s" if part is not None and part.signal == "speed" else "N m"

    def origin(self, name: str) -> str:
        """Return the sensor, encoder, machine or loop at the far end of a chain of bus hops."""
        carried = {hop.name: hop.carries for hop in self.hop}
        while name in carried:
            name = carried[name]
        return name
