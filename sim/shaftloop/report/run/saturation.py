"""What machines make of their current, and what their controls believe, as a picture."""

from typing import Any

from shaftloop.analysis.ratings import held
from shaftloop.answers.run import RunAnswer
from shaftloop.report.canvas import COLOURS, Picture, over
from shaftloop.report.quantities import percent, show

__all__ = ["saturation_picture"]


def saturation_picture(answer: RunAnswer) -> Picture | None:
    """Return torque over current; nothing where every machine makes what its control believes."""
    machines = answer.simulation.bench.machines
    curves = {name: curve for name, machine in machines.items() if (curve := machine.torque_curve())}
    if not curves:
        return None
    reached = {entry.owner: entry.peak for entry in held(answer.simulation) if entry.limit == "current"}
    said = []
    for name, curve in curves.items():
        share = curve.made[-1] / curve.believed[-1] - 1.0
        word = "less" if share < 0.0 else "more"
        current, made, believed = show(curve.current[-1], "A", 3), curve.made[-1], curve.believed[-1]
        said.append(
            f"At {current} {name} makes {show(made, 'N m', 3)}, {percent(abs(share))} {word} than the "
            f"{show(believed, 'N m', 3)} that its control believes"
        )

    def paint(figure: Any) -> None:
        for axes, (name, curve) in zip(
            figure.subplots(1, len(curves), squeeze=False)[0], curves.items(), strict=True
        ):
            currents, made, believed = ([0.0, *values] for values in curve)
            axes.fill_between(currents, made, believed, color=COLOURS["loss"], alpha=0.15, linewidth=0.0)
            axes.plot(
                currents, believed, "--", color=COLOURS["setpoint"], label="believed: constant inductances"
            )
            axes.plot(currents, made, color=COLOURS["true"], label="made: flux map")
            if name in reached:
                label = "largest current of the run"
                axes.axvline(reached[name], color=COLOURS["quiet"], linewidth=0.9, linestyle=":", label=label)
            axes.set(xlabel=f"current of {name} [A]", ylabel="air-gap torque [N m]")
            axes.set_xlim(0.0, curve.current[-1])
            axes.set_ylim(0.0, None)
            over(axes, 3 if len(curves) == 1 else 1)

    shows = "Air-gap torque over the current that the control takes for it, at low speed"
    return Picture("torque_per_current", "; ".join(said), shows, answer.title, (10.5, 5.0), paint)
