"""What the worst part sees in each fault, as bars against what it stands."""

from typing import Any

from shaftloop.answers.faults import FaultsAnswer
from shaftloop.report.canvas import COLOURS, Picture
from shaftloop.report.faults.verdict import happens, seen
from shaftloop.studies.faults import FaultRun

__all__ = ["faults_picture"]

_FAR = 400.0
"""Share from which on the axis is logarithmic. [%]"""


def faults_picture(answer: FaultsAnswer, title: str) -> Picture:
    """Return one bar per fault, the worst on top."""
    runs = [run for run in answer.runs if run.error is None and run.worst is not None]

    def paint(figure: Any) -> None:
        axes = figure.subplots()
        if not runs:
            axes.set_axis_off()
            axes.text(0.5, 0.5, "no part states what it stands", ha="center", transform=axes.transAxes)
            return
        rows = range(len(runs))
        shares = [100.0 * run.share for run in runs]
        axes.barh(rows, shares, color=[_colour(run) for run in runs], height=0.62)
        axes.axvline(100.0, color=COLOURS["setpoint"], linewidth=1.2)
        axes.set_yticks(rows, [happens(run) for run in runs])
        axes.invert_yaxis()
        axes.grid(axis="y", visible=False)
        far = max(shares) > _FAR
        for row, run in zip(rows, runs, strict=True):
            assert run.worst is not None
            beside: Any = {"textcoords": "offset points", "va": "center", "fontsize": 8.5}
            axes.annotate(seen(run.worst), (max(shares[row], 100.0), row), (5, 0), **beside)
        if far:
            axes.set_xscale("log")
        axes.set_xlim(10.0 if far else 0.0, max(*shares, 100.0) * (4.0 if far else 1.7))
        axes.set_xlabel(
            "largest load of the worst part, of its limit (where none is stated, of its rating) [%]"
        )

    shows = "For every fault the largest load of the worst part over what it stands"
    return Picture("faults", title, shows, answer.title, (11.0, 1.6 + 0.34 * max(len(runs), 3)), paint)


def _colour(run: FaultRun) -> str:
    return COLOURS["limit"] if run.damages else COLOURS["stored"] if run.strains else COLOURS["now"]
