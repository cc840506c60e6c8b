"""What was understood of a log, and what was wrong with it: as a document and on the terminal."""

from collections.abc import Iterator, Sequence
from typing import Any

from shaftloop.analysis.logs.clocks import Clock
from shaftloop.analysis.logs.soundness import Findings
from shaftloop.figures import number
from shaftloop.report.documents import text
from shaftloop.report.terminal import Piece
from shaftloop.scenario.logs.reading import Column, Log

__all__ = ["SIDES", "clock_text", "log_document", "tell_log"]

SIDES = 1.959964
"""Standard deviations on either side of a value in its 95 % interval, where many data tell it."""


def clock_text(whose: str, clock: Clock) -> str:
    """Return by how much a log's clock is off, with the 95 % intervals.

    Parameters
    ----------
    whose : str
        Words for the clock.
    """
    return (
        f"  {whose}: {clock.offset:.6g} s ± {SIDES * clock.offset_spread:.2g} s is added, "
        f"drift {1e6 * clock.drift:.3g} ppm ± {SIDES * 1e6 * clock.drift_spread:.2g} ppm"
    )


def log_document(log: Log, columns: Sequence[Column], findings: Findings) -> dict[str, Any]:
    """Return how a log was read and what was found in it.

    Parameters
    ----------
    columns : sequence of Column
        Those that were read.
    """
    return {
        "file": text(log.label),
        "stated_by": [text(place) for place in log.places],
        "rows": findings.rows,
        "period": number(findings.period, "s"),
        "jitter": number(findings.jitter, "s"),
        "first": number(findings.first, "s"),
        "last": number(findings.last, "s"),
        "gaps": findings.gap_count,
        "lost_samples": findings.lost,
        "repeated_times": findings.repeated,
        "rows_back_in_time": findings.backwards,
        "columns": [
            {
                "header": column.header,
                "channel": column.channel,
                "unit": column.unit,
                "sign": column.stated.sign,
                "missing": found.missing,
                "saturated": found.saturated,
                "held": found.held,
                "step": number(found.step, column.unit or "", "no step is to be seen"),
            }
            for column, found in zip(columns, findings.columns, strict=True)
        ],
        "findings": findings.said(),
    }


def tell_log(log: Log, columns: Sequence[Column], findings: Findings) -> Iterator[Piece]:
    """Yield how a log was read and what was found in it.

    Parameters
    ----------
    columns : sequence of Column
        Those that were read.
    """
    by = f", read as {' and '.join(log.places)} states" if log.places else ""
    rate = f", {1.0 / findings.period:.6g} Hz" if findings.period > 0.0 else ""
    yield f"{log.label}: {findings.rows} rows, {findings.first:.6g} s to {findings.last:.6g} s{rate}{by}"
    for column in columns:
        shows = f" is {column.channel}" if column.channel != column.header else ""
        unit = "no unit stated" if column.unit is None else column.unit
        turned = ", sign turned" if column.stated.sign < 0 else ""
        yield f"  {column.header}{shows} [{unit}]{turned}"
    if log.texts:
        yield f"  left out, for they hold words: {', '.join(log.texts)}"
    for sentence in findings.said():
        yield f"  {sentence}"
