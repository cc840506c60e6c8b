"""Which loops are looked at, and at which operating point."""

from collections.abc import Sequence

from shaftloop.bench.assemble import build_bench
from shaftloop.errors import BenchError, ScenarioError
from shaftloop.scenario.description import Description
from shaftloop.scenario.fields import nearest, shown

__all__ = ["check_point", "named_loops"]

_NO_MARGINS = "there are no margins"
"""What a bench without a loop lacks where its poles alone will do."""


def named_loops(
    description: Description, wanted: Sequence[str], purpose: str, *, tuned: bool = False
) -> tuple[str, ...]:
    """Return the loops to look at: those named, else all that are no limiters.

    `purpose` is what a bench without a loop lacks, ``there is nothing to tune``; empty where it will do.
    Gains of loops on positions are not looked for.

    Raises
    ------
    ScenarioError
        Where there is no such loop, it is a limiter, or one on a position that is to be tuned.
    """
    loops = {entry.name: entry for entry in description.loop}
    names = tuple(
        name for name, entry in loops.items() if entry.limiter_of is None and not (tuned and entry.controls)
    )
    if not names and not wanted and not purpose:
        return ()
    if not names:
        raise BenchError(("loop",), f"the scenario has none, so {purpose or _NO_MARGINS}; add a [[loop]]")
    for name in wanted:
        if name not in loops:
            known = ", ".join(names)
            raise ScenarioError(
                [f"`loops` {shown(name)}: no such loop; known: {known}{nearest(name, names)}"]
            )
        if tuned and loops[name].controls:
            raise ScenarioError(
                [
                    f"`loops` {name}: gains of a loop on a position are not looked for; start a cascade at "
                    "a fifth of the crossover of its speed loop (2π·f), a virtual spring below damping over "
                    "latency, and judge it with margins"
                ]
            )
        main = loops[name].limiter_of
        if main is not None:
            raise ScenarioError(
                [
                    f"`loops` {name}: a limiter acts beyond its limit speed only, so "
                    f"{purpose or _NO_MARGINS} here; ask for the loop it limits: `loops` {main}"
                ]
            )
    return tuple(dict.fromkeys(wanted)) or names


def check_point(description: Description, speed: float | None, torque: float | None) -> None:
    """Refuse a speed or torque that no loop holds.

    Raises
    ------
    ScenarioError
        Where no loop controls it.
    """
    bench = build_bench(description, smooth=True)
    if torque is not None and bench.torque_loop() is None:
        raise ScenarioError(["`torque`: no loop of the scenario controls a torque; leave it out"])
    if speed is not None and bench.speed_loop() is None:
        raise ScenarioError(["`speed`: no loop of the scenario controls a speed; leave it out"])
