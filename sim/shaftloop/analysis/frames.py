"""How old the frames of a bus grow in a run, where that is asked for."""

from collections.abc import Iterator

from shaftloop.analysis.simulation import Simulation
from shaftloop.bench.handles import Bench
from shaftloop.bench.hops import lateness
from shaftloop.figures import Figure

__all__ = ["frame_figures", "known_figures"]


def known_figures(bench: Bench) -> Iterator[Figure]:
    """Yield the figures of a bench that says when frames may be late, or watches or records their age."""
    for hop in lateness(bench.description, bench.description.fault):
        meaning = f"oldest frame of {hop} that its reader had, since it was taken from its sender"
        yield Figure(f"frame_age_max.{hop}", "s", meaning, better="lower")


def frame_figures(simulation: Simulation) -> Iterator[Figure]:
    """Yield the same figures of a run."""
    frames, state = simulation.bench.frames, simulation.run.state
    for figure in known_figures(simulation.bench):
        yield figure.found(float(state[frames[figure.name.partition(".")[2]].oldest]))
