"""What a controller acts on: the exact sampled response from its command to its reading.

It is the hyperperiod map of the smooth bench with the loop opened and all other loops closed.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache, cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.channelnoise import channel_noise
from shaftloop.analysis.freerunning import phase_variants
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.limits import held_state
from shaftloop.analysis.minimal import minimal
from shaftloop.analysis.openloop import OpenLoop
from shaftloop.analysis.operating import operating_point
from shaftloop.analysis.response import fundamental, grid
from shaftloop.analysis.tangent import line_of
from shaftloop.control.filters import Section
from shaftloop.control.parameters import ActiveDamping, Loop
from shaftloop.control.structures import damping_section
from shaftloop.scenario.description import Description
from shaftloop.studies.checks.gains import WIRING
from shaftloop.studies.tuning.controller import parts_of, with_gains
from shaftloop.studies.tuning.damping import NEUTRAL, DampingCut, closer, section_at, speeds_across
from shaftloop.studies.tuning.intervals import LoopParts
from shaftloop.studies.tuning.modetrack import ModeTracker, mode_tracker
from shaftloop_models.parameters import Gain

__all__ = ["PHASES", "LoopPlant", "bench_plants", "loop_named", "plain_loop", "with_loop"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

PHASES = 64
"""Combinations of phases of free-running clocks in the search; what it finds is judged with all of them."""


@dataclass(frozen=True, eq=False)
class LoopPlant:
    """What one controller acts on, in one corner of the tolerances."""

    system: OpenLoop
    """From the command to minus the reading, both at the ticks of the loop."""
    label: str
    """Which corner, in words."""
    command: float
    """At the operating point. [N m]"""
    setpoint: float
    """At the operating point. [N m] or [rad/s]"""
    modes: ModeTracker | None
    """Shaft modes; nothing where there is no bench."""
    speeds: tuple[str, str, float] | str = "there is no bench"
    """What active damping can work on, with a gain of the right size [N m s/rad]; or why there is nothing."""
    with_damping: "Callable[[ActiveDamping], LoopPlant] | None" = None
    """The same with active damping."""
    noises: Mapping[str, float] = field(default_factory=dict)
    """Rms of noise and steps of every reading by its name. [N m], of speeds [rad/s]"""
    link: str = ""
    """That its link is unstable by itself, in words; empty where it is not."""
    cut: tuple[DampingCut, Section] | None = None
    """With active damping: the plant cut at the command, and the damping as it runs at every tick."""

    @property
    def period(self) -> float:
        """Period of the loop [s]."""
        return self.system.period

    @cached_property
    def minimal(self) -> OpenLoop:
        """The same response from fewer states, which have no slots of their own."""
        if self.cut is None:
            return minimal(self.system)
        paths, section = self.cut
        return paths.minimal.joined(section)

    @cached_property
    def frequency(self) -> Array:
        """Grid, dense around poles and zeros, shape (n,) [Hz]."""
        return grid(self.system) if self.cut is None else self.cut[0].frequency

    @cached_property
    def response(self) -> Complex:
        """Reading per command on the grid, shape (n,)."""
        return self.at(self.frequency) if self.cut is None else self.cut[0].on_grid[0]

    @cached_property
    def damping(self) -> Complex:
        """Loop gain of the active damping on the grid, shape (n,)."""
        if self.cut is None:
            return np.zeros(len(self.frequency), dtype=np.complex128)
        paths, section = self.cut
        return paths.on_grid[1] * section_at(section, self.frequency, self.period)

    @cached_property
    def static_gain(self) -> float:
        """Reading per command in the long run; infinite for a plant that integrates."""
        a = self.system.a
        slowest = np.max(np.abs(np.linalg.eigvals(a))) if len(a) else 0.0
        if slowest >= 1.0 - 1e-9:
            return float("inf")
        return float(self.at(np.array([0.0]))[0].real)

    @cached_property
    def _known(self) -> "dict[ActiveDamping, LoopPlant]":
        return {}

    def under(self, loop: Loop) -> "LoopPlant":
        """Return what the gains of a loop act on: this plant, with the loop's active damping if it has one.

        Parameters
        ----------
        loop : Loop
            The loop.
        """
        damping = loop.active_damping
        if damping is None or self.with_damping is None:
            return self
        if damping not in self._known:
            self._known[damping] = self.with_damping(damping)
        return self._known[damping]

    def parts(self, loop: Loop) -> LoopParts:
        """Return a loop on the grid, split by its gains.

        Parameters
        ----------
        loop : Loop
            The loop; its own kp and ki do not matter.
        """
        return _parts(self.under(loop), with_gains(loop, 0.0, 0.0))

    def at(self, frequency: Array) -> Complex:
        """Return the reading per command, shape (n,).

        Parameters
        ----------
        frequency : ndarray, shape (n,)
            Up to half the rate of the loop. [Hz]
        """
        return fundamental(self.system if self.cut is None else self.cut[0].reading, frequency)

    def near(self, low: float, high: float) -> tuple[Array, Complex, Complex]:
        """Return a few frequencies from one to another [Hz], with `at` and `damping_at` of them.

        Remembered, as the peaks of candidates lie between the same points of the grid.

        Parameters
        ----------
        low, high : float
            [Hz]

        Returns
        -------
        tuple of ndarray, shape (n,)
            Frequencies [Hz], reading per command, loop gain of the active damping.
        """
        if self.cut is None:
            frequency, response = self._closer(low, high)
            return frequency, response, np.zeros(len(frequency), dtype=np.complex128)
        paths, section = self.cut
        frequency, response, torque = paths.closer(low, high)
        return frequency, response, torque * section_at(section, frequency, self.period)

    @cached_property
    def _closer(self) -> Callable[[float, float], tuple[Any, ...]]:
        return closer(self.system)

    def damping_at(self, frequency: Array) -> Complex:
        """Return the loop gain of the active damping, zero without one, shape (n,).

        The whole loop, opened at the command, is that of the controller plus this one.

        Parameters
        ----------
        frequency : ndarray, shape (n,)
            Up to half the rate of the loop. [Hz]
        """
        if self.cut is None:
            return np.zeros(len(frequency), dtype=np.complex128)
        paths, section = self.cut
        return fundamental(paths.torque, frequency) * section_at(section, frequency, self.period)


@lru_cache(maxsize=8)
def _parts(plant: LoopPlant, shape: Loop) -> LoopParts:
    return LoopParts(plant.response, *parts_of(shape, plant.frequency), plant.damping)


def loop_named(description: Description, name: str) -> Loop:
    """Return a loop of a description by its name."""
    return next(loop for loop in description.loop if loop.name == name)


def with_loop(description: Description, loop: Loop) -> Description:
    """Return a description with the controller of a loop in place of that of the same name.

    What belongs to the bench stays, a latency that a corner changes for instance.

    Parameters
    ----------
    description : Description
        The bench.
    loop : Loop
        With the new controller.
    """
    loops = []
    for entry in description.loop:
        wiring = {key: getattr(entry, key) for key in WIRING}
        loops.append(replace(loop, **wiring) if entry.name == loop.name else entry)
    return replace(description, loop=tuple(loops))


def plain_loop(loop: Loop) -> Loop:
    """Return a loop as a bare PI controller, which holds its set-point.

    Parameters
    ----------
    loop : Loop
        As the scenario has it.
    """
    ki = loop.ki if loop.ki.value > 0.0 else Gain(max(loop.kp.value, 1.0), loop.ki.unit)
    return Loop(
        name=loop.name,
        acts_on=loop.acts_on,
        reads=loop.reads,
        rate=loop.rate,
        kp=loop.kp,
        ki=ki,
        clamp=loop.clamp,
        phase=loop.phase,
        output_latency=loop.output_latency,
        anti_windup=loop.anti_windup,
        setpoint_rate=loop.setpoint_rate,
        free_running=loop.free_running,
    )


def bench_plants(
    description: Description,
    name: str,
    label: str = "nominal",
    speed: float | None = None,
    torque: float | None = None,
) -> list[LoopPlant]:
    """Return what a loop acts on, one plant per phase of the free-running clocks.

    Parameters
    ----------
    description : Description
        The bench.
    name : str
        The loop; no limiter.
    label : str
        Of the corner.
    speed, torque : float, optional
        Operating point in place of the sequence's. [rad/s], [N m]

    Raises
    ------
    SimulationError
        Where the bench has no such steady state.
    """
    bare = with_loop(description, plain_loop(loop_named(description, name)))
    plants = []
    for phases, variant in phase_variants(bare, PHASES):
        where = ", ".join(f"{clock} {1e6 * float(shift):.6g} µs late" for clock, shift in phases.items())
        plants.append(_bench_plant(variant, name, f"{label}, {where}" if where else label, speed, torque))
    return plants


def _bench_plant(
    description: Description, name: str, label: str, speed: float | None, torque: float | None
) -> LoopPlant:
    """Return what a bare loop acts on."""
    bench = HyperMap(description)
    point = operating_point(bench.bench, speed, torque)
    state = held_state(bench, point)
    loop = bench.bench.loops[name]
    system = _without(bench.open([loop], state, [loop.error_slot]), loop.integral_slot)
    line = line_of(bench, state)
    bare = LoopPlant(
        system,
        label,
        float(bench.walk(state, np.array([bench.ticks]))[0][loop.break_slot]),
        point.setpoints[name],
        mode_tracker(line, system),
        speeds_across(bench.bench, loop.parameters, line),
        noises=channel_noise(bench.bench, point.speed),
        link=bench.bench.link.rings(state),
    )

    @cache
    def cut(left: str, right: str) -> tuple[DampingCut, ModeTracker]:
        one = replace(loop.parameters, active_damping=ActiveDamping(1.0, left, right))
        with_one = HyperMap(with_loop(description, one))
        own, held = with_one.bench.loops[name], held_state(with_one, point)
        slot = with_one.bench.model.layout.number(f"{name}.damping")
        found = DampingCut(
            *(
                _without(with_one.open([own], held, [seen]), own.integral_slot)
                for seen in (own.error_slot, slot)
            )
        )
        return found, mode_tracker(line, found.joined(NEUTRAL))

    def with_damping(damping: ActiveDamping) -> LoopPlant:
        paths, modes = cut(damping.left, damping.right)
        section = damping_section(damping, float(loop.parameters.rate))
        return replace(bare, system=paths.joined(section), modes=modes, cut=(paths, section))

    return replace(bare, with_damping=with_damping)


def _without(system: OpenLoop, slot: int) -> OpenLoop:
    """Return an opened loop without a state that nothing seen depends on: the bare controller's integral."""
    keep = system.slots != slot
    return replace(
        system,
        a=system.a[np.ix_(keep, keep)],
        b=system.b[keep],
        c=system.c[:, keep],
        slots=system.slots[keep],
    )
