"""The answer about the margins of loops in words."""

from collections.abc import Iterator

import numpy as np

from shaftloop.analysis.margins import Margins
from shaftloop.analysis.response import fundamental
from shaftloop.analysis.sineresponse import AtFrequency
from shaftloop.answers.margins import LoopAnswer, MarginsAnswer
from shaftloop.report.margins.joint import joint_sentence
from shaftloop.report.quantities import percent, show

__all__ = ["LIVELY", "WORTH", "peak", "standing", "verdict"]

LIVELY = 1.7
"""Peak sensitivity above which a loop is called lively; common practice, no source."""
WORTH = 0.95
"""Share of today's Ms below which a change of the signal path is worth a word."""


def verdict(answer: MarginsAnswer) -> list[str]:
    """Return how much the loops stand, a sentence each, behind what tolerances make unstable."""
    if answer.loopless is not None:
        return [_without_loop(answer)]
    measured = [name for name, found in answer.loops.items() if found.measured is not None]
    agreement = [_agreement(name, answer.loops[name]) for name in measured]
    single = {name: found.margins.ms for name, found in answer.loops.items()}
    together = [] if answer.joint is None else [joint_sentence(answer.joint, single)]
    alone = (_loop(name, found) for name, found in answer.loops.items())
    return [*agreement, *_lost_corners(answer), *alone, *together]


def _lost_corners(answer: MarginsAnswer) -> Iterator[str]:
    """Yield which loops are unstable at corners of the tolerances."""
    for name in answer.loops:
        lost = [corner.label for corner in answer.corners if not corner.margins[name].stable]
        if lost:
            count = f"{len(lost)} of {len(answer.corners)}"
            yield f"Loop {name} is unstable at {count} corners of the tolerances: {lost[0]}."


def _without_loop(answer: MarginsAnswer) -> str:
    from shaftloop.report.margins.poles import slowest

    state = "UNSTABLE" if any(pole.rate <= 0.0 for pole in answer.poles) else "stable"
    return f"The bench, which has no loop, is {state} at this point: {slowest(answer.poles)}."


def standing(name: str, found: LoopAnswer) -> str:
    """Return how much a loop stands, in words.

    Parameters
    ----------
    name : str
        Of the loop.
    """
    margins = found.margins
    if not margins.stable:
        factor = margins.gain_margin_down or margins.gain_margin
        way = (
            "no factor on its gain alone makes it stable"
            if factor is None
            else f"{factor:.3g} times its gain is the edge of stability"
        )
        return f"Loop {name} is unstable (largest eigenvalue {margins.largest_eigenvalue:.4f}): {way}"
    up = "any gain" if margins.gain_margin is None else f"{margins.gain_margin:.3g} times its gain"
    place, path = found.delay.smaller_first()[0]
    delay = "any delay" if path.value is None else f"{show(path.value, 's', 3)} more delay at the {place}"
    return f"Loop {name} is stable and stands {up} and {delay}"


def peak(name: str, margins: Margins) -> str:
    """Return by how much a loop multiplies a disturbance at worst, in words.

    Parameters
    ----------
    name : str
        Of the loop.
    """
    at = f"{margins.ms_frequency:.4g} Hz"
    if not margins.stable:
        return f"Loop {name} is unstable; its curve comes within 1/{margins.ms:.2f} of -1 at {at}"
    return f"Loop {name} multiplies a disturbance at {at} by {margins.ms:.2f}, its Ms (peak sensitivity)"


def _peak(margins: Margins) -> str:
    return f"Ms (peak sensitivity) is {margins.ms:.2f} at {margins.ms_frequency:.4g} Hz"


def _loop(name: str, found: LoopAnswer) -> str:
    margins, stands = found.margins, standing(name, found)
    if not margins.stable:
        return f"{stands}."
    phase = "" if margins.phase_margin is None else f", phase margin {margins.phase_margin:.1f}°"
    text = f"{stands}; {_peak(margins)}{phase}."
    lost = [] if found.budget is None else [share for share in found.budget.shares if share.ideal is not None]
    if margins.ms > LIVELY and lost:
        most = min(lost, key=lambda share: share.phase)
        if all(share.ideal.ms > WORTH * margins.ms for share in lost if share.ideal is not None):
            at = f"{margins.ms_frequency:.4g} Hz"
            text += f" It is lively, and no faster signal path mends that: lower the gains or damp {at}."
        else:
            lost_there = f"{most.cause} takes {-most.phase:.0f}° at crossover"
            text += f" It is lively: {lost_there}; lower the gains or mend that."
    return " ".join([text, *(_at(entry) for entry in found.at)])


def _agreement(name: str, found: LoopAnswer) -> str:
    """Return how far an injection is from the exact response where it matters, near the crossover."""
    margins, measured = found.margins, found.measured
    assert measured is not None, "only a loop that was measured is asked for"
    exact = fundamental(margins.system, measured.frequency)
    # What is off there moves 1 + L, and with it Ms and the margins, by as much of itself.
    off = np.abs(measured.response - exact) / np.abs(1.0 + exact)
    worst = int(np.argmax(off))
    return (
        f"The injection into loop {name} shows the computed 1 + L within {percent(float(off[worst]), 2)}, "
        f"least well at {measured.frequency[worst]:.4g} Hz."
    )


def _at(entry: AtFrequency) -> str:
    when = f"{abs(entry.phase):.3g}° {'late' if entry.phase < 0.0 else 'early'}"
    return (
        f"At {entry.frequency:.6g} Hz it follows its set-point with {entry.amplitude:.4g} of the amplitude, "
        f"{when}, and leaves {entry.left:.3g} % of a disturbance of 1 %."
    )
