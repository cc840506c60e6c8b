"""The response from what drove a log to what it shows: measured, and of the bench before and after the fit.

All three are taken alike, over what the log has of the drive. What else was excited is in all of them.
"""

from typing import Any

import numpy as np

from shaftloop.answers.identify import FitAnswer
from shaftloop.report.canvas import COLOURS, Picture, over
from shaftloop.studies.identification.responses import COHERENT, Pair, driven, pairs, response_of

__all__ = ["responded_picture"]


def responded_picture(answer: FitAnswer, title: str) -> Picture | None:
    """Return gain and phase, measured and of the bench; nothing where no column says what drove the log."""
    pair = _pair(answer)
    if pair is None:
        return None
    name, i, fit = pair.name, pair.output, answer.fit
    time, source = answer.replay.compared[i].time, driven(answer.replay, pair, fit.measured)
    curves = [response_of(time, source, values) for values in (fit.measured[i], fit.before[i], fit.after[i])]
    if curves[0] is None:
        return None
    known = curves[0].coherence > COHERENT
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
        angle.set(ylabel="phase [°]", xlabel=f"frequency [Hz]   (coherence above {COHERENT:g})")
        angle.set(ylim=(-185.0, 185.0), yticks=(-180, -90, 0, 90, 180))
        over(size, 3)

    shows = f"Gain and phase from {name} as measured, and of the bench before and after the fit"
    return Picture("fit_response", title, shows, answer.title, (10.5, 7.0), paint)


def _pair(answer: FitAnswer) -> Pair | None:
    """Return what drove the log with the first other column that moves, nothing where no column says it."""
    moving = [i for i, still in enumerate(answer.judgement.still) if not still]
    return next(iter(pairs(answer.replay, moving)), None)
