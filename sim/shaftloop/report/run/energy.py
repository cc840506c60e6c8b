"""Where the energy of a run went: the circle through the machines, and what the grid had to supply for it."""

from typing import Any

from shaftloop.analysis.flow import LINK, Flow, Station
from shaftloop.report.canvas import COLOURS, Picture
from shaftloop.report.quantities import percent, show

__all__ = ["energy_picture", "summary"]

_MOST_BARS = 9
_WORTH_A_BAR = 0.005
_SHAFT = 9.0
"""Width of the widest arrow, on a paper of 100 by 60."""
_THINNEST = 0.5
_LINK = (46.0, 51.0)
_BOX = (17.0, 29.0)
_RAISED, _BELOW = (25.0, 36.0), (3.0, 13.0)
"""Machines, and the line below them, of a line with branches."""
_GRID = (57.5, 63.0)
_FOOT = 4.5


def energy_picture(flow: Flow, subject: str) -> Picture:
    """Return where the energy of a run went.

    Parameters
    ----------
    flow : Flow
        From `energy_flow`.
    """

    def paint(figure: Any) -> None:
        circle, bars = figure.subplots(1, 2, width_ratios=[1.9, 1.0])
        _draw_circle(circle, flow)
        _draw_bars(bars, flow)

    text = summary(flow)
    shows = "Energy from the grid over link, machines and shaft line and back, and what it went into"
    return Picture("energy", f"{text[0].upper()}{text[1:]}", shows, subject, (13.5, 6.2), paint)


def summary(flow: Flow) -> str:
    """Return the energies of a run in a sentence.

    Parameters
    ----------
    flow : Flow
        From `energy_flow`.
    """
    taken = [station for station in flow.stations if station.link > 0.0]
    given = [station for station in flow.stations if station.link < 0.0]
    parts = [f"{station.name} took {show(station.link, 'J', 3)} from {station.source}" for station in taken]
    total = sum(station.link for station in taken)
    for station in given:
        share = f" ({percent(-station.link / total)})" if total > 0.0 and len(given) == 1 else ""
        parts.append(f"{station.name} returned {show(-station.link, 'J', 3)}{share}")
    verb = "supplied" if flow.grid >= 0.0 else "absorbed"
    parts.append(f"the grid {verb} {show(abs(flow.grid), 'J', 3)}")
    return ", ".join(parts)


def _draw_circle(axes: Any, flow: Flow) -> None:
    """Draw link, machines and line as boxes, and between them arrows as wide as their energy."""
    axes.set(xlim=(0.0, 100.0), ylim=(0.0, 64.0))
    axes.set_axis_off()
    energies = [*(station.link for station in flow.stations), *(energy for _, _, energy in flow.passed)]
    scale = _SHAFT / max(*map(abs, energies), abs(flow.grid), 1e-300)
    branched = any(right != left + 1 for left, right, _ in flow.passed)
    abreast = [i for i, station in enumerate(flow.stations) if station.machine or not branched]
    pitch = 100.0 / len(abreast)
    half = min(0.27 * pitch, 10.0)
    centres = {i: pitch * (place + 0.5) for place, i in enumerate(abreast)}
    fed = [x for i, x in centres.items() if flow.stations[i].source == LINK and flow.stations[i].machine]
    span = (min([50.0, *fed]) - half - 2.0, max([50.0, *fed]) + half + 2.0)
    _box(axes, (max(2.0, span[0]), min(98.0, span[1])), _LINK, "DC link", COLOURS["electrical"])
    _box(axes, (40.0, 60.0), _GRID, "grid", COLOURS["grid"])
    _arrow(axes, (50.0, _GRID[0]), (50.0, _LINK[1]), flow.grid, scale, COLOURS["grid"])
    for i, (name, energy) in enumerate(flow.beside):
        # Right of the grid: what stays at the link.
        x, colour = 70.0 + 9.0 * i, COLOURS["stored" if name == "stored" else "loss"]
        _arrow(axes, (x, _LINK[1]), (x, _LINK[1] + 5.0), energy, scale, colour, labelled=False)
        text = f"{name}\n{show(energy, 'J', 3)}"
        axes.text(x, _GRID[1], text, ha="center", va="top", fontsize=9.5, parse_math=False)
    box = _RAISED if branched else _BOX
    for i, centre in centres.items():
        station = flow.stations[i]
        colour = COLOURS["electrical"] if station.machine else COLOURS["mechanical"]
        _box(axes, (centre - half, centre + half), box, _told(station) if branched else station.name, colour)
        if station.source != LINK:
            _box(axes, (centre - half, centre + half), _LINK, station.source, COLOURS["mechanical"])
        if station.machine:
            _arrow(axes, (centre, _LINK[0]), (centre, box[1]), station.link, scale, COLOURS["electrical"])
        if not branched:
            _draw_rest(axes, centre, half, station, scale)
    if branched:
        _draw_below(axes, flow, centres, scale)
        return
    for left, right, energy in flow.passed:
        middle = 0.5 * (_BOX[0] + _BOX[1])
        ends = ((centres[left] + half, middle), (centres[right] - half, middle))
        _arrow(axes, *ends, energy, scale, COLOURS["mechanical"])


def _draw_below(axes: Any, flow: Flow, centres: dict[int, float], scale: float) -> None:
    """Draw stretches of a line with branches below the machines that they join."""
    for i, station in enumerate(flow.stations):
        beside = {
            left if right == i else right: (left, e) for left, right, e in flow.passed if i in (left, right)
        }
        if station.machine or not beside:
            continue
        ends = sorted(centres[machine] for machine in beside)
        _box(axes, (ends[0] - 7.0, ends[-1] + 7.0), _BELOW, _told(station), COLOURS["mechanical"])
        for machine, (left, energy) in beside.items():
            down = (centres[machine], _RAISED[0]), (centres[machine], _BELOW[1])
            _arrow(axes, *(down if left == machine else down[::-1]), energy, scale, COLOURS["mechanical"])


def _told(station: Station) -> str:
    rest = (("loss", station.loss), ("stored", station.stored))
    lines = [f"{word} {show(energy, 'J', 3)}" for word, energy in rest]
    return "\n".join([station.name, *lines, *_kept(station)])


def _kept(station: Station) -> list[str]:
    """Return a line with the heat that a machine keeps; none where it does not warm up."""
    return [] if station.kept is None else [f"kept as heat {show(station.kept, 'J', 3)}"]


def _draw_rest(axes: Any, centre: float, half: float, station: Station, scale: float) -> None:
    """Draw what stays in a station: losses, and energy stored in it."""
    for offset, energy, word in ((-0.5, station.loss, "loss"), (0.5, station.stored, "stored")):
        x = centre + offset * half
        _arrow(axes, (x, _BOX[0]), (x, _FOOT + 4.0), energy, scale, COLOURS[word], labelled=False)
        text = f"{word}\n{show(energy, 'J', 3)}"
        axes.text(x, _FOOT + 3.2, text, ha="center", va="top", fontsize=9.5)
    axes.text(centre, _FOOT - 1.8, "".join(_kept(station)), ha="center", va="top", fontsize=9.5)


def _box(axes: Any, x: tuple[float, float], y: tuple[float, float], name: str, colour: str) -> None:
    from matplotlib.patches import Rectangle

    place = ((x[0], y[0]), x[1] - x[0], y[1] - y[0])
    axes.add_patch(Rectangle(*place, facecolor="#F4F4F4", edgecolor=colour, linewidth=1.6))
    centre = (0.5 * (x[0] + x[1]), 0.5 * (y[0] + y[1]))
    axes.text(*centre, name, ha="center", va="center", fontweight="bold", parse_math=False)


def _arrow(
    axes: Any,
    start: tuple[float, float],
    end: tuple[float, float],
    energy: float,
    scale: float,
    colour: str,
    *,
    labelled: bool = True,
) -> None:
    """Draw an energy that goes from start to end; the other way where it is negative."""
    from matplotlib.patches import FancyArrow

    if energy == 0.0:
        return
    if energy < 0.0:
        start, end = end, start
    width = max(abs(energy) * scale, _THINNEST)
    across, along = end[0] - start[0], end[1] - start[1]
    head = min(max(1.7 * width, 2.0), width + 4.0)
    length = min(0.5 * head, 0.6 * abs(across + along))
    shape: Any = {"width": width, "head_width": head, "head_length": length, "length_includes_head": True}
    axes.add_patch(FancyArrow(*start, across, along, facecolor=colour, edgecolor="none", alpha=0.85, **shape))
    if labelled:
        middle = (0.5 * (start[0] + end[0]), 0.5 * (start[1] + end[1]))
        beside = (
            (middle[0] + 0.5 * head + 1.0, middle[1]) if along else (middle[0], middle[1] + 0.5 * head + 1.0)
        )
        place = {"ha": "left", "va": "center"} if along else {"ha": "center", "va": "bottom"}
        axes.text(*beside, show(abs(energy), "J", 3), color=colour, fontweight="bold", **place)


def _draw_bars(axes: Any, flow: Flow) -> None:
    """Draw what the energy from the grid went into, largest first."""
    bars = [
        (f"{name}: {meaning}", energy, COLOURS["loss"]) for name, meaning, energy in flow.losses if energy
    ]
    places = "speed, twist, current, link" if flow.beside else "speed, twist, current"
    bars.append((f"stored in {places}", flow.stored, COLOURS["stored"]))
    bars.sort(key=lambda bar: -abs(bar[1]))
    whole = sum(abs(energy) for _, energy, _ in bars)
    kept = sum(abs(energy) >= _WORTH_A_BAR * whole for _, energy, _ in bars)
    kept = kept if kept <= _MOST_BARS else _MOST_BARS - 1
    if len(bars) - kept > 1:
        rest = sum(energy for _, energy, _ in bars[kept:])
        bars = [*bars[:kept], (f"{len(bars) - kept} smaller ones", rest, COLOURS["quiet"])]
    bars.reverse()
    energies = [energy for _, energy, _ in bars]
    axes.barh(range(len(bars)), energies, color=[colour for _, _, colour in bars], height=0.62)
    axes.set_yticks(range(len(bars)), [label for label, _, _ in bars])
    total = sum(energy for energy in energies)
    reach = max(max(energies), 0.0) or 1.0
    for i, energy in enumerate(energies):
        share = f"  {percent(energy / total)}" if total > 0.0 and abs(energy) >= _WORTH_A_BAR * total else ""
        axes.text(max(energy, 0.0) + 0.02 * reach, i, show(energy, "J", 3) + share, va="center", fontsize=9.0)
    axes.set_xlim(min(min(energies), 0.0), 1.35 * reach)
    axes.tick_params(left=False, bottom=False, labelbottom=False)
    axes.grid(visible=False)
    axes.spines["bottom"].set_visible(False)
    fuel = sum(station.link for station in flow.stations if station.source != LINK)
    text = f"what the {show(flow.grid + fuel, 'J', 3)} from {'fuel and ' if fuel else 'the '}grid went into"
    axes.set_title(text, loc="left", fontweight="normal")
