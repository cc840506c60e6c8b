"""Delay margins: the bench with that much more delay is on its boundary."""

from dataclasses import replace
from fractions import Fraction
from functools import cache

import numpy as np
import pytest

from changed import changed
from rigs import coupling, describe, sensor, servo, shipped, speed_loop, torque_loop
from shaftloop.analysis.carried import carried, named
from shaftloop.analysis.delay import PathMargin, _DelayedBench, _first_unstable, _smallest_delay, delay_margin
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.margins import Margins
from shaftloop.analysis.openloop import spectral_radius
from shaftloop.analysis.operating import OperatingPoint
from shaftloop.analysis.worstcase import analyse_loops
from shaftloop.control.parameters import Loop
from shaftloop.scenario.description import Description
from shaftloop_models.parameters import Delay
from shaftloop_models.torque_sensor import TorqueSensor

pytestmark = pytest.mark.compiled


@cache
def analysed(*settings: str) -> tuple[Description, Margins, Fraction]:
    description = shipped("reference-bench", *settings)
    analysis = analyse_loops(description, ["torque"])["torque"]
    return description, analysis.margins, Fraction(1, analysis.bench.run.clock.ticks_per_second)


@cache
def damped() -> tuple[Description, Margins, Fraction]:
    """Return a bench that is stable by its active damping only."""
    slow = {"time_constant": "1 ms", "rate": "2 kHz"}
    line = [
        servo("drive", 0.6, **slow),
        coupling("c", 4000.0, damping="0.5 N m s/rad", inertia_right="0.01 kg m^2"),
        sensor("ts", 4e5, damping="1 N m s/rad", sampling="2 kHz", latency="1.5 ms"),
        servo("load", 0.05, **slow),
    ]
    across = {"gain": "6 N m s/rad", "left": "drive", "right": "load"}
    timing = {"rate": "1 kHz", "output_latency": "1 sample"}
    torque = torque_loop("load", "ts", kp=0.056, ki="50 1/s", active_damping=across, **timing)
    loops = [speed_loop("drive", 20.0, 100.0, **timing), torque]
    description = describe({"line": line, "loop": loops, "duration": "1 s"})
    margins = analyse_loops(description, ["torque"])["torque"].margins
    return description, margins, Fraction(1, 10**9)


def radius(description: Description, point: OperatingPoint) -> float:
    bench = HyperMap(description)
    return spectral_radius(bench.dynamics(bench.steady(point)))


def delayed(description: Description, delay: Fraction, *, earlier: bool) -> Description:
    """Return a bench whose sensor delivers later or, with the same deliveries, samples earlier."""

    def change(part: TorqueSensor) -> TorqueSensor:
        period = 1 / part.sampling
        phase = (part.phase - delay) % period if earlier else part.phase
        return replace(part, latency=Delay(part.latency.seconds(period) + delay), phase=phase)

    line = tuple(change(p) if isinstance(p, TorqueSensor) else p for p in description.line)
    return replace(description, line=line)


def late(description: Description, name: str, delay: Fraction) -> Description:
    """Return a bench with more output latency of a loop."""

    def change(loop: Loop) -> Loop:
        return replace(loop, output_latency=Delay(loop.output_latency.seconds(1 / loop.rate) + delay))

    loops = tuple(change(loop) if loop.name == name else loop for loop in description.loop)
    return replace(description, loop=loops)


def ticks(margin: PathMargin, tick: Fraction) -> int:
    assert margin.value is not None
    return round(margin.value / tick)


@pytest.mark.parametrize("case", ["plain", "phase", "damped"])
def test_the_margins_put_the_bench_on_its_boundary(case: str) -> None:
    settings = ("line.ts.phase=17 us",) if case == "phase" else ()
    description, margins, tick = damped() if case == "damped" else analysed(*settings)
    found = delay_margin(description, margins)

    count = ticks(found.reading, tick)
    before, at = (delayed(description, n * tick, earlier=True) for n in (count - 1, count))
    assert radius(before, margins.point) < 1.0 <= radius(at, margins.point)

    edge = ticks(found.edge, tick) * tick
    at, after = (delayed(description, edge + more, earlier=False) for more in (0, tick))
    assert radius(at, margins.point) < 1.0 <= radius(after, margins.point)

    most = ticks(found.command, tick) * tick
    at, after = (late(description, "torque", most + more) for more in (0, tick))
    assert radius(at, margins.point) < 1.0 <= radius(after, margins.point)


def test_latency_changes_nothing_up_to_the_plateau() -> None:
    """Sampled at 17 µs, every 50 µs, and read from 0 on: 33 µs are left before the reading is late."""
    description, margins, tick = analysed("line.ts.phase=17 us")
    plateau = delay_margin(description, margins).plateau.value
    assert plateau == pytest.approx(33e-6, abs=1e-12)
    same, later = (delayed(description, Fraction(33, 10**6) + more, earlier=False) for more in (0, tick))
    unchanged, changed = (analyse_loops(d, ["torque"])["torque"].margins for d in (same, later))
    assert unchanged.ms == pytest.approx(margins.ms, rel=1e-7)
    assert abs(changed.ms / margins.ms - 1.0) > 1e-2


def test_with_active_damping_command_and_reading_stand_different_delays() -> None:
    description, margins, _ = damped()
    found = delay_margin(description, margins)
    (where, smaller), (_, larger) = found.smaller_first()
    assert where == "command" and smaller.value is not None and larger.value is not None
    assert smaller.value < 0.2 * larger.value
    # What the whole response predicts is the margin of the command.
    assert smaller.value == pytest.approx(margins.phase_delay_margin, abs=0.5e-3)


@pytest.mark.parametrize(("angle", "left"), [(-150.0, 30.0), (150.0, 330.0)])
def test_a_delay_turns_a_response_backwards_until_it_meets_minus_one(angle: float, left: float) -> None:
    """It shrinks from 2 at 10 Hz to 1/2 at 20 Hz: 1 is met at 15 Hz."""
    response = np.array([2.0, 0.5]) * np.exp(1j * np.radians(angle))
    found = _smallest_delay(np.array([10.0, 20.0]), response)
    assert found == pytest.approx(left / 360.0 / 15.0, rel=1e-12)


def test_a_limited_loop_is_delayed_behind_its_limiter() -> None:
    description = shipped("wheel-hub")
    margins = analyse_loops(description, ["torque"])["torque"].margins
    limiter = next(loop for loop in description.loop if loop.limiter_of == "torque")
    most = delay_margin(description, margins).command.value
    assert most is not None
    edge = Fraction(round(most * 10**9), 10**9)
    at, after = (late(description, limiter.name, edge + more) for more in (0, Fraction(1, 10**9)))
    assert radius(at, margins.point) < 1.0 <= radius(after, margins.point)


def test_ideal_speed_feedback_has_no_sampler() -> None:
    description = shipped("reference-bench")
    margins = analyse_loops(description, ["speed"])["speed"].margins
    found = delay_margin(description, margins)
    assert found.reading.value == margins.phase_delay_margin
    assert found.plateau.value is None and "no sampler" in found.plateau.reason
    # The machine reads its command every 125 µs.
    assert found.command.value == pytest.approx(margins.phase_delay_margin, abs=125e-6)


def test_delay_margins_that_do_not_exist_say_why() -> None:
    description, margins, _ = analysed()
    unstable = delay_margin(description, changed(margins, stable=False))
    assert "unstable" in unstable.reading.reason and "unstable" in unstable.command.reason
    never = delay_margin(description, changed(margins, phase_delay_margin=None))
    assert "never reaches 1" in never.reading.reason and never.reading.endless


@pytest.mark.parametrize("guess", [270_000_000, 276_000_000, 280_000_000, 285_000_000])
def test_a_bent_boundary_is_found_to_the_tick_in_few_looks(guess: int) -> None:
    looks = []

    def excess(count: int) -> float:
        looks.append(count)
        return 1e-3 * (1.0 - float(np.exp((277_247_194.5 - count) / 3e7)))

    assert _first_unstable(excess, guess) == 277_247_195
    assert len(looks) <= 12


def test_a_delay_at_a_reading_is_looked_for_where_the_first_of_its_loops_is_predicted_to_fail() -> None:
    """Angle and speed of one encoder: alone the angle would stand several times the delay of the speed."""
    description = shipped("steering-spring")
    both = analyse_loops(description, ["position", "speed"])
    slow, fast = (both[name].margins for name in ("position", "speed"))
    assert slow.phase_delay_margin is not None and fast.phase_delay_margin is not None
    assert slow.phase_delay_margin > 5.0 * fast.phase_delay_margin
    found = _DelayedBench(description, slow, None)._soonest(slow.phase_delay_margin)
    assert found == pytest.approx(fast.phase_delay_margin, rel=1e-9)


def test_a_new_delay_line_holds_what_it_delivers() -> None:
    """So the steady state is carried over as it is, and no derivative is taken to find it again."""
    description, margins, _ = analysed("line.ts.latency=0 s")
    more = Fraction(120, 10**6)
    plain, longer = (HyperMap(d) for d in (description, delayed(description, more, earlier=True)))
    known = named(plain.bench, plain.steady(margins.point))
    state = carried(longer.bench, known)
    names = [slot.name for slot in longer.bench.model.layout.slots]
    assert "ts.line[0]" in names and "ts.line[0]" not in known
    assert state[names.index("ts.line[0]")] == known["ts.reading"] != 0.0
