"""What the DC link went through in a run, as a picture: its voltage with the levels that act on it."""

import math
from typing import Any

from shaftloop.answers.run import RunAnswer
from shaftloop.report.canvas import COLOURS, Picture, thinned
from shaftloop.report.quantities import show

__all__ = ["link_picture"]


def link_picture(answer: RunAnswer) -> Picture | None:
    """Return the voltage of the link over time with its levels; nothing where the link is stiff."""
    simulation = answer.simulation
    link = simulation.bench.link
    if link.ports is None:
        return None
    low, high = simulation.peaks["link.voltage"]
    heats = [(r.parameters, simulation.energies.meters[f"{r.parameters.name}.heat"]) for r in link.resistors]
    title = f"The link stays between {show(low, 'V', 4)} and {show(high, 'V', 4)}"
    title += "".join(f"; {part.name} takes {show(heat, 'J', 3)}" for part, heat in heats)
    supply = link.ports.supply
    levels = [
        (supply.lowest(), "undervoltage"),
        (supply.nominal(), "kept" if link.command_slot >= 0 else "without load"),
    ]
    levels += [(supply.overvoltage, "overvoltage")] if supply.overvoltage is not None else []
    for part, _ in heats:
        levels += [(part.off_level, f"{part.name} off"), (part.on_level, f"{part.name} on")]

    def paint(figure: Any) -> None:
        axes = figure.subplots()
        axes.plot(*thinned(simulation.time, simulation.traces["link_voltage"]), color=COLOURS["electrical"])
        for level, _ in levels:
            axes.axhline(level, color=COLOURS["setpoint"], linewidth=1.0, linestyle=":")
        # Beside the axes, clear of the curve, and clear of each other.
        low, high = axes.get_ylim()
        place = -math.inf
        for level, name in sorted(levels):
            place = max(place + 0.045 * (high - low), level)
            where = {"ha": "left", "va": "center", "fontsize": 9.0, "parse_math": False}
            across = axes.get_yaxis_transform()
            axes.text(1.005, place, f"{name}, {level:.4g} V", transform=across, **where)
        axes.set(xlabel="time [s]", ylabel="voltage of the link [V]")
        axes.set_xlim(0.0, simulation.duration or 1.0)

    shows = "Voltage of the DC link over time, with the levels of inverters and brake resistors"
    return Picture("link", title, shows, answer.title, (10.5, 5.0), paint)
