"""What a backlash does with tuned gains where nothing presses its flanks, which no linear figure knows.

The flanks touch in the linear figures. Here the whole bench, noise, quantiser and clamps included, is run
from its operating point to a torque of zero and back, with the backlash and without it: what swings on with
it alone is its limit cycle.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.limits import OpenFlanks, held_state
from shaftloop.analysis.operating import operating_point
from shaftloop.analysis.standing import standing_run
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.parts.part import make_part
from shaftloop.engine.compiled.setpoints import HOLD
from shaftloop.engine.model import Channel, Segment
from shaftloop.errors import SimulationError
from shaftloop.figures import Figure, Side
from shaftloop.scenario.description import Description, Record
from shaftloop.studies.checks.expectations import Expectation
from shaftloop.studies.checks.judge import Verdict
from shaftloop.studies.tuning.tolerance import Corner

__all__ = ["SWING", "Rattle", "closed", "rattle", "touching"]

Array = NDArray[np.float64]

SWING = "swing at zero torque by backlash"
"""As what gains are judged by, beside the figures that a scenario expects."""
_TIME, _QUARTERS, _FREE = 3.0, 6, 4
"""How long the bench runs [s], of how many parts, and how many of them at zero torque; the last of those and
the last of all are looked at, each against the one before."""
_PRESSED = 0.1
"""Torque from which it comes where nothing presses its flanks, over the rated one of the sensor."""
_DYING = 0.8
"""Swing of the last part over that of the one before, up to which it counts as dying out."""
_SHARE, _TIMES = 0.02, 2.0
"""Swing that is a limit cycle: of the sensor's rated torque, and over the swing without backlash; common
practice, no source."""


@dataclass(frozen=True)
class Rattle:
    """The true torque at a torque set-point of zero, at the speed of the operating point."""

    parts: tuple[str, ...]
    """With a backlash."""
    swing: float
    """Peak to peak in the end, infinite where the bench diverges. [N m]"""
    closed: float | None
    """The same of the bench without backlash; None where it was not run, or diverges. [N m]"""
    frequency: float
    """Of the swing; 0 where the bench diverges. [Hz]"""
    dying: bool
    """Whether it still dies out in the end."""
    allowed: float
    """From which swing on the gains are not recommended. [N m]"""

    @property
    def fails(self) -> bool:
        """Whether the backlash keeps the line swinging."""
        return not self.dying and self.swing > max(self.allowed, _TIMES * (self.closed or 0.0))

    @property
    def rests(self) -> bool:
        """Whether what little swings dies out."""
        return self.dying and self.swing <= self.allowed

    @property
    def verdict(self) -> Verdict:
        """The same as an expectation that a bench has without stating it."""
        meaning = f"peak to peak of the true torque that {' and '.join(self.parts)} keeps up at zero torque"
        bound = Expectation(SWING, "N m", meaning, at_most=self.allowed)
        beyond: Side = "above" if np.isinf(self.swing) else ""
        value = None if beyond else self.swing
        return Verdict(bound, Figure(SWING, "N m", meaning, value, beyond=beyond, better="lower"), None)


def closed(description: Description) -> tuple[Description, tuple[str, ...]]:
    """Return a bench without its backlash, as if its flanks touched always, and the parts that have one.

    Parameters
    ----------
    description : Description
        The bench.
    """
    tight = {
        part.name: entry.change(part)
        for part in description.line
        for entry in make_part(part).imperfections()
        if entry.cause == "backlash"
    }
    return replace(description, line=tuple(tight.get(p.name, p) for p in description.line)), tuple(tight)


def rattle(description: Description, speed: float | None, torque: float | None) -> Rattle | None:
    """Return what a backlash does at zero torque; nothing without one, or without a loop for the torque.

    Parameters
    ----------
    description : Description
        The bench with its gains.
    speed, torque : float, optional
        Operating point from which it comes, in place of the sequence's. [rad/s], [N m]
    """
    without, parts = closed(description)
    if not parts:
        return None
    bench = build_bench(description, smooth=True)
    main = bench.main_sensor()
    loops = {name: loop.parameters for name, loop in bench.loops.items() if loop.quantity == "torque"}
    if not loops or main is None:
        return None
    rate = max(loop.rate for loop in loops.values())
    quarter = int(_TIME * rate) // _QUARTERS

    def swing(whole: Description) -> list[Array]:
        """Return the true torque by quarters of a run, none where it diverges."""
        reference = HyperMap(whole)
        point = operating_point(reference.bench, speed, torque)
        try:
            state = held_state(reference, point)
        except OpenFlanks:
            # A torque that is set free, as one that was there.
            point = operating_point(reference.bench, speed, _PRESSED * main.parameters.rated)
            state = held_state(reference, point)
        real = build_bench(replace(whole, record=Record(rate), fault=(), limit=()))
        true = real.sensors[main.parameters.name].true_torque
        real.model.channels = [Channel("true", "N m", (("z", true, 1.0),))]
        run = standing_run(
            real, reference, state, {**point.setpoints, **dict.fromkeys(loops, 0.0)}, _QUARTERS * quarter + 1
        )
        period = run.clock.ticks(1 / rate)
        try:
            run.advance(period * _FREE * quarter)
            for name in loops:
                back = Segment(period * _FREE * quarter, HOLD, (), (point.setpoints[name],))
                run.set_profile(real.loops[name].profile, back)
            run.advance(period * _QUARTERS * quarter)
        except SimulationError:
            return []
        return np.split(run.recording[: _QUARTERS * quarter, 0], _QUARTERS)

    found, allowed = swing(description), _SHARE * main.parameters.rated
    if not found:
        return Rattle(parts, np.inf, None, 0.0, False, allowed)
    sizes = [float(np.ptp(part)) for part in found]
    quiet = None
    if max(sizes[_FREE - 1], sizes[-1]) > allowed:
        alone = swing(without)
        quiet = max(float(np.ptp(alone[at])) for at in (_FREE - 1, -1)) if alone else None
    # Whether the line swings on at no torque, or once it is back at that of the operating point.
    ends = ((_FREE - 2, _FREE - 1), (_QUARTERS - 2, _QUARTERS - 1))
    before, last = max(ends, key=lambda pair: sizes[pair[1]] * (sizes[pair[1]] >= _DYING * sizes[pair[0]]))
    part = found[last]
    frequency = float(np.argmax(np.abs(np.fft.rfft(part - part.mean()))) * float(rate) / len(part))
    return Rattle(parts, sizes[last], quiet, frequency, sizes[last] < _DYING * sizes[before], allowed)


def touching(
    corners: Sequence[Corner], speed: float | None, torque: float | None
) -> tuple[list[Corner], tuple[str, ...]]:
    """Return the corners as linear figures need them, and the parts whose backlash that leaves out.

    It is left out where nothing presses the flanks at the operating point: they count as touching.

    Parameters
    ----------
    corners : sequence of Corner
        The nominal bench first.
    speed, torque : float, optional
        Operating point in place of the sequence's. [rad/s], [N m]
    """
    nominal = corners[0].description
    _, parts = closed(nominal)
    if not parts:
        return list(corners), ()
    bench = HyperMap(nominal)
    try:
        held_state(bench, operating_point(bench.bench, speed, torque))
    except OpenFlanks:
        return [replace(c, description=closed(c.description)[0]) for c in corners], parts
    except SimulationError:  # As the loops stand; how they are tuned does not begin there.
        pass
    return list(corners), ()
