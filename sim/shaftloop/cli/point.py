"""Which loops a command looks at, and at which operating point."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from shaftloop.scenario.description import Description

__all__ = ["check_point", "named_loops", "read_torque"]


def named_loops(description: "Description", wanted: Sequence[str], purpose: str) -> tuple[str, ...]:
    """Return the loops to look at: those named, else all that are no limiters.

    Parameters
    ----------
    description : Description
        The bench.
    wanted : sequence of str
        From ``--loop``.
    purpose : str
        What a bench without a loop lacks, e.g. ``there are no margins``.

    Raises
    ------
    ScenarioError
        Where there is no such loop, or it is a limiter.
    """
    from shaftloop.errors import ScenarioError
    from shaftloop.scenario.fields import nearest, shown

    loops = {entry.name: entry for entry in description.loop}
    names = tuple(name for name, entry in loops.items() if entry.limiter_of is None)
    if not names:
        raise ScenarioError([f"the scenario has no loop, so {purpose}; add a [[loop]]"])
    for name in wanted:
        if name not in loops:
            known = ", ".join(names)
            raise ScenarioError([f"--loop {shown(name)}: no such loop; known: {known}{nearest(name, names)}"])
        main = loops[name].limiter_of
        if main is not None:
            raise ScenarioError(
                [
                    f"--loop {name}: a limiter acts beyond its limit speed only, so {purpose} here; "
                    f"ask for the loop it limits: --loop {main}"
                ]
            )
    return tuple(dict.fromkeys(wanted)) or names


def read_torque(text: str) -> float:
    """Return the torque of ``--torque`` [N m].

    Parameters
    ----------
    text : str
        A number with a unit.

    Raises
    ------
    ScenarioError
        Where it is none.
    """
    from shaftloop.errors import ScenarioError
    from shaftloop.scenario.fields import shown
    from shaftloop.scenario.units import UnitError, read_quantity

    try:
        return float(read_quantity(text, ("N m",))[0])
    except UnitError as error:
        raise ScenarioError([f'--torque: {shown(text)}: {error}, e.g. "80 N m"']) from None


def check_point(description: "Description", speed: float | None, torque: float | None) -> None:
    """Refuse a speed or torque that no loop holds.

    Parameters
    ----------
    description : Description
        The bench.
    speed, torque : float, optional
        [rad/s], [N m]

    Raises
    ------
    ScenarioError
        Where no loop controls it.
    """
    from shaftloop.bench.assemble import build_bench
    from shaftloop.errors import ScenarioError

    bench = build_bench(description, smooth=True)
    if torque is not None and bench.torque_loop() is None:
        raise ScenarioError(["--torque: no loop of the scenario controls a torque; leave it out"])
    if speed is not None and bench.speed_loop() is None:
        raise ScenarioError(["--speed: no loop of the scenario controls a speed; leave it out"])
