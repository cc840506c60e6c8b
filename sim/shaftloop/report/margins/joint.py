"""All loops judged as one: a sentence, a table, a document and a picture."""

import cmath
import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from shaftloop.analysis.joint import JointMargins, joint_figures
from shaftloop.figures import number
from shaftloop.report.canvas import COLOURS, MACHINE_COLOURS, Picture, over
from shaftloop.report.quantities import percent
from shaftloop.report.terminal import Piece, add_row, new_table

__all__ = ["joint_document", "joint_picture", "joint_sentence", "tell_joint"]

_ALONE = 1.1
"""Ratio of the joint Ms to the largest of a single loop from which on it is called more than theirs."""


def joint_sentence(joint: JointMargins, single: dict[str, float]) -> str:
    """Return what the loops stand together, in words.

    Parameters
    ----------
    joint : JointMargins
        From `joint_margins`.
    single : dict
        Ms of every loop by itself.
    """
    if not joint.stable:
        return "Judged as one, the loops are unstable."
    worst = max(single, key=lambda name: single[name])
    above = joint.ms > _ALONE * single[worst]
    compared = (
        f"against {single[worst]:.2f} of {worst}, the worst alone"
        if above
        else f"hardly more than the {single[worst]:.2f} of {worst} alone"
    )
    factor = joint.gain_margin
    stands = "any common factor" if factor is None else f"{factor:.3g} times all gains at once"
    return (
        f"Judged as one, the loops stand {stands}; the largest singular value of S is {joint.ms:.2f} at "
        f"{joint.ms_frequency:.4g} Hz, {compared}."
    )


def tell_joint(joint: JointMargins) -> Iterator[Piece]:
    """Yield what the loops stand together, and in which combination they are worst."""
    table = new_table("All loops judged as one", "figure", "value", "")
    guard = joint.ms / (joint.ms - 1.0) if joint.ms > 1.0 else math.inf
    lag = 2.0 * math.degrees(math.asin(min(0.5 / joint.ms, 1.0)))
    factor = "none" if joint.gain_margin is None else f"x {joint.gain_margin:#.4g}"
    add_row(table, "gain margin, all at once", factor, "exact: one factor on the gains of all loops")
    add_row(
        table, "joint Ms", f"{joint.ms:.3f}", f"largest singular value of S, at {joint.ms_frequency:.4g} Hz"
    )
    add_row(
        table, "so each stands", f"x {guard:.2f} or {lag:.0f}°", "any of these in any loops at once, at least"
    )
    for name, part in joint.direction.items():
        words = f"{round(math.degrees(cmath.phase(part))):+d}°, in shares of the clamps"
        add_row(table, f"worst there: {name}", percent(abs(part)), words)
    yield table


def joint_document(joint: JointMargins) -> dict[str, Any]:
    """Return the loops judged as one, as a document."""
    return {
        "loops": list(joint.loops),
        "stable": joint.stable,
        **{figure.name: figure.document() for figure in joint_figures(joint)},
        "ms_frequency": number(joint.ms_frequency, "Hz"),
        "worst_combination": {
            name: {
                "share_of_clamp": number(abs(part), "1"),
                "phase": number(math.degrees(cmath.phase(part)), "deg"),
            }
            for name, part in joint.direction.items()
        },
    }


def joint_picture(joint: JointMargins, title: str, subject: str) -> Picture:
    """Return the singular values of S against frequency, with the sensitivities of the single loops.

    Parameters
    ----------
    joint : JointMargins
        From `joint_margins`.
    title : str
        Its finding.
    """

    def paint(figure: Any) -> None:
        axes = figure.subplots()
        frequency, values = joint.frequency, joint.singular_values
        axes.fill_between(
            frequency, values[:, -1], values[:, 0], color="#E3E3E3", linewidth=0, label="any combination"
        )
        axes.plot(frequency, values[:, 0], color="black", linewidth=2.0, label="worst combination")
        single = np.abs(np.diagonal(joint.sensitivity(frequency), axis1=1, axis2=2))
        for i, name in enumerate(joint.loops):
            colour = MACHINE_COLOURS[i % len(MACHINE_COLOURS)]
            axes.plot(frequency, single[:, i], color=colour, linestyle="--", label=f"{name} alone")
        axes.plot(joint.ms_frequency, joint.ms, "o", color=COLOURS["sensitivity"], markersize=7.0)
        axes.annotate(
            f"{joint.ms:.2f}",
            (joint.ms_frequency, joint.ms),
            xytext=(6.0, 6.0),
            textcoords="offset points",
            color=COLOURS["sensitivity"],
            fontweight="bold",
        )
        axes.axhline(1.0, color=COLOURS["quiet"], linewidth=0.8)
        axes.set(
            xscale="log", yscale="log", xlabel="frequency [Hz]", ylabel="magnification of disturbances, |S|"
        )
        axes.set(xlim=(max(frequency[0], 1e-4 * frequency[-1]), frequency[-1]), ylim=(1e-3, 1.5 * joint.ms))
        over(axes, min(2 + len(joint.loops), 5))

    shows = (
        "Singular values of the sensitivity of all loops together, and of each alone with the others closed"
    )
    return Picture("joint", title, shows, subject, (9.5, 5.6), paint)
