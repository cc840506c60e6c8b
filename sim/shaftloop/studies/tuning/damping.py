"""Active damping in the tuner: the plant that it leaves to the controller, and the speeds it can work on."""

from dataclasses import replace

import numpy as np

from shaftloop.analysis.openloop import OpenLoop
from shaftloop.bench.handles import Bench
from shaftloop.control.parameters import Loop

__all__ = ["damped", "speeds_across"]


def damped(reading: OpenLoop, torque: OpenLoop) -> OpenLoop:
    """Return an opened loop whose command is that of the controller plus a torque that the bench adds.

    Parameters
    ----------
    reading : OpenLoop
        From the command to what the controller sees.
    torque : OpenLoop
        The same bench, from the command to the added torque.
    """
    # Neither needs a state of the other that it does not have, so the two stand side by side.
    slots = np.concatenate([reading.slots, np.setdiff1d(torque.slots, reading.slots)])
    place = {int(slot): i for i, slot in enumerate(slots)}
    count, ticks = len(slots), len(reading.instants)
    a, b, seen, added = np.zeros((count, count)), np.zeros((count, ticks)), *np.zeros((2, ticks, count))
    for system, out in ((torque, added), (reading, seen)):
        own = np.array([place[int(slot)] for slot in system.slots])
        a[np.ix_(own, own)], b[own], out[:, own] = system.a, system.b, system.c
    inner = np.linalg.inv(np.eye(ticks) - torque.d)
    return replace(
        reading,
        a=a + b @ inner @ added,
        b=b @ inner,
        c=seen + reading.d @ inner @ added,
        d=reading.d @ inner,
        slots=slots,
    )


def speeds_across(bench: Bench, loop: Loop) -> tuple[str, str, float] | str:
    """Return the speeds left and right of the line's twist, with a gain [N m s/rad], or why there are none.

    The gain is the inertia of the loop's machine times the line's lowest resonance, which damps it strongly.
    An encoder goes before a machine's own speed. The speed of the loop's own machine its drive knows; that
    of another place counts only if an encoder is there or a loop or hop reads it.

    Parameters
    ----------
    bench : Bench
        The bench.
    loop : Loop
        The loop that damps.
    """
    from shaftloop.analysis.modes import mechanics

    if bench.loops[loop.name].quantity != "torque":
        return "a loop of speed damps the line by its own gain; offered for loops of torque"
    description, own = bench.description, bench.machines[loop.acts_on].body
    read = {entry.reads for entry in description.loop} | {entry.carries for entry in description.hop}
    places = {name: place.body for name, place in bench.line.places.items()}
    at: dict[int, str] = {own: loop.acts_on}
    for name in sorted(places):
        if name in bench.machines and name in read:
            at.setdefault(places[name], name)
    for encoder in description.readers("speed"):
        at[places[encoder.name]] = encoder.name
    others = [body for body in at if body != own]
    if not others:
        return (
            "no speed is read across the line: add an encoder there, or let a loop or hop read the speed of "
            "the machine there"
        )
    other = max(others, key=lambda body: abs(body - own))
    rates = np.linalg.eigvals(mechanics(bench).a)
    size = np.abs(rates)[rates.imag > 1e-6 * np.abs(rates)]
    lowest = float(size.min(initial=np.inf))
    if not np.isfinite(lowest):
        return "the line has no resonance to damp"
    gain = bench.machines[loop.acts_on].parameters.inertia * lowest
    left, right = sorted((own, other))
    return at[left], at[right], gain
