"""Measured channels over the bench before and after the fit, and what is left."""

import math
from typing import Any

import numpy as np

from shaftloop.answers.identify import FitAnswer
from shaftloop.report.canvas import COLOURS, SIDE, Picture, over, thinned

__all__ = ["fit_picture"]

_MOST = 3
"""Channels that are drawn; all of them are compared."""


def fit_picture(answer: FitAnswer, title: str) -> Picture:
    """Return measured channels, the bench before and after the fit, and the residual."""
    count = min(len(answer.names), _MOST)

    def paint(figure: Any) -> None:
        axes = figure.subplots(2 * count, 1, squeeze=False, sharex=True, height_ratios=[2.0, 1.0] * count)
        for i in range(count):
            _draw(axes[2 * i][0], axes[2 * i + 1][0], answer, i)
        axes[-1][0].set_xlabel("time of the bench [s]   (shaded: kept out of the fit)")

    shows = "Measured channels over the bench before and after the fit, and what is left"
    return Picture("fit", title, shows, answer.title, (11.0, 4.2 * count + 0.8), paint)


def _draw(above: Any, below: Any, answer: FitAnswer, i: int) -> None:
    fit, entry = answer.fit, answer.replay.compared[i]
    factor, unit = (30.0 / math.pi, "rpm") if entry.unit == "rad/s" else (1.0, entry.unit)
    time = entry.time
    measured = "measured, without orders" if fit.orders else "measured"
    for values, colour, width, label in (
        (fit.before[i], COLOURS["before"], 1.0, "bench before"),
        (fit.after[i], COLOURS["now"], 2.4, "bench after"),
        (fit.measured[i], COLOURS["setpoint"], 0.8, measured),
    ):
        alpha = 0.6 if label == "bench after" else 1.0
        above.plot(*thinned(time, factor * values), color=colour, linewidth=width, alpha=alpha, label=label)
    above.set_ylabel(f"{answer.names[i]}\n[{unit}]", parse_math=False)
    over(above, 3)
    left = factor * (fit.measured[i] - fit.after[i])
    below.plot(*thinned(time, left), color=COLOURS["limit"], linewidth=0.8)
    below.axhline(0.0, color=COLOURS["quiet"], linewidth=0.8)
    # Single outliers would hide what the rest does.
    reach = float(np.percentile(np.abs(left), 99.5))
    if reach > 0.0:
        below.set_ylim(-1.3 * reach, 1.3 * reach)
    below.set_ylabel(f"left\n[{unit}]")
    share, told = answer.judgement.shares[i], max(answer.judgement.told[i], 0.0)
    explained = "nothing moves" if answer.judgement.still[i] else f"explains {100.0 * share:.1f} %"
    below.set_title(
        f"{explained} where nothing was fitted; {100.0 * told:.1f} % of what is left follows what was played",
        **SIDE,
    )
    if not fit.fitted[i].all():
        start = float(time[np.argmin(fit.fitted[i])])
        for axes in (above, below):
            axes.axvspan(start, float(time[-1]), color=COLOURS["quiet"], alpha=0.12, linewidth=0)
