"""The true torque of a run over the angle of its shaft, as a picture."""

import math
from typing import Any

import numpy as np

from shaftloop.analysis.turning import over_angle
from shaftloop.answers.run import RunAnswer
from shaftloop.report.canvas import COLOURS, Picture, over
from shaftloop.report.quantities import percent, show

__all__ = ["over_angle_picture"]


def over_angle_picture(answer: RunAnswer) -> Picture | None:
    """Return true torque and reading over the angle; nothing where the shaft has none or did not turn on."""
    found = over_angle(answer.simulation)
    if isinstance(found, str):
        return None
    turn = "a turn" if found.turns == 1 else f"{found.turns} turns"
    swing, speed = show(found.swing, "N m", 3), show(found.speed, "rad/s", 3)
    title = f"Over {turn} at {speed} the true torque at {found.sensor} swings by {swing}, peak to peak"
    if found.share is not None:
        title += f"; {percent(found.share)} of its variance repeats with the angle"

    def paint(figure: Any) -> None:
        axes = figure.subplots()
        degrees = np.degrees(found.angle)
        within = {"color": COLOURS["true"], "alpha": 0.2, "linewidth": 0.0}
        axes.fill_between(degrees, found.lowest, found.highest, label="true torque, all periods", **within)
        axes.plot(degrees, found.reading, color=COLOURS["reading"], label="reading, mean")
        axes.plot(degrees, found.mean, color=COLOURS["true"], label="true torque, mean")
        axes.set(xlabel=f"angle at {found.sensor} [deg]", ylabel="torque [N m]")
        axes.set_xlim(0.0, 360.0 * found.turns)
        axes.set_xticks(np.arange(0.0, 360.0 * found.turns + 1.0, 45.0 * math.ceil(found.turns / 2)))
        over(axes, 3)

    shows = f"Torque over the angle, averaged over {found.periods} times {turn}"
    return Picture("over_angle", title, shows, answer.title, (10.5, 5.0), paint)
