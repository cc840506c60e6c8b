"""The response from what drove a log to what it shows: measured, and of the bench before and after the fit.

All three are taken alike, over what the log has of the drive. What else was excited is in all of them.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.logs.evenly import Bridge, pieces
from shaftloop.analysis.logs.spectra import Averager, Response
from shaftloop.answers.identify import FitAnswer
from shaftloop.report.canvas import COLOURS, Picture, over

__all__ = ["responded_picture"]

Array = NDArray[np.float64]

_BLOCKS = 6
"""Lengths of a block that fit into the log."""
_COHERENT = 0.8
"""Coherence from which a line of the log is drawn."""
_LEAST = 128
"""Samples of a block that are worth a response."""


def responded_picture(answer: FitAnswer, title: str) -> Picture | None:
    """Return gain and phase, measured and of the bench; nothing where no column says what drove the log."""
    found = _pair(answer)
    if found is None:
        return None
    name, source, i = found
    entry, fit = answer.replay.compared[i], answer.fit
    curves = [
        _response(entry.time, source, values) for values in (fit.measured[i], fit.before[i], fit.after[i])
    ]
    if curves[0] is None:
        return None
    known = curves[0].coherence > _COHERENT
    if known.sum() < 3:
        return None

    def paint(figure: Any) -> None:
        size, angle = figure.subplots(2, 1, sharex=True, height_ratios=(1.4, 1.0))
        looks = (
            ("measured", "setpoint", ".", 0.0),
            ("bench before", "before", "", 1.0),
            ("bench after", "now", "", 1.6),
        )
        for curve, (label, colour, marker, width) in zip(curves, looks, strict=True):
            assert curve is not None, "all three have the instants of the log"
            look: Any = {
                "color": COLOURS[colour],
                "marker": marker or None,
                "markersize": 3.0,
                "linewidth": width,
            }
            frequency, value = curve.frequency[known], curve.value[known]
            size.plot(frequency, np.abs(value), label=label, **look)
            angle.plot(frequency, np.degrees(np.angle(value)), ".", color=COLOURS[colour], markersize=3.0)
        size.set(xscale="log", yscale="log")
        size.set_ylabel(f"{answer.names[i]}\nover {name}", parse_math=False)
        angle.set(ylabel="phase [°]", xlabel=f"frequency [Hz]   (coherence above {_COHERENT:g})")
        angle.set(ylim=(-185.0, 185.0), yticks=(-180, -90, 0, 90, 180))
        over(size, 3)

    shows = f"Gain and phase from {name} as measured, and of the bench before and after the fit"
    return Picture("fit_response", title, shows, answer.title, (10.5, 7.0), paint)


def _pair(answer: FitAnswer) -> tuple[str, Array, int] | None:
    """Return what drove the log, at the instants of the first other column that moves, and that column."""
    moving = [i for i, still in enumerate(answer.judgement.still) if not still]
    drives = [i for i in moving if answer.names[i].endswith(("_setpoint", "_command"))]
    outputs = [i for i in moving if i not in drives]
    if not outputs:
        return None
    out = outputs[0]
    time = answer.replay.compared[out].time
    played = answer.replay.played
    if played:
        return played[0].column.channel, answer.replay.played_at(time)[0], out
    drive = next(
        (i for i in drives if answer.replay.compared[i].label == answer.replay.compared[out].label), None
    )
    if drive is None:
        return None
    source = np.interp(time, answer.replay.compared[drive].time, answer.fit.measured[drive])
    return answer.names[drive], source, out


def _response(time: Array, source: Array, output: Array) -> Response | None:
    samples = len(time) // _BLOCKS
    if samples < _LEAST:
        return None
    bridge, averager = Bridge(), Averager(samples, False)
    for piece, fresh in pieces([(time, np.column_stack((source, source, output)))], bridge):
        averager.feed(piece, fresh)
    return averager.response(bridge.period) if averager.blocks else None
