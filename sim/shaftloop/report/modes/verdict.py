"""The answer about the modes of a line in words."""

from shaftloop.analysis.interference import Interference
from shaftloop.answers.modes import ModesAnswer
from shaftloop.report.quantities import percent, show
from shaftloop.scenario.ratios import order_text

__all__ = ["count", "crossing", "verdict"]

_CLOSE = 15.0
"""Distance of a resonance crossing from the operating speed that is worth a word; common practice, no source.
[%]"""


def verdict(answer: ModesAnswer) -> list[str]:
    """Return where the line resonates, in at most three sentences."""
    if not answer.modes:
        return ["No mode of the line oscillates: there is nothing to resonate with."]
    lowest, least = answer.modes[0], min(answer.modes, key=lambda mode: mode.damping_ratio)
    frequencies = ", ".join(f"{mode.frequency:.4g}" for mode in answer.modes)
    said = [
        f"The line resonates at {frequencies} Hz; the lowest mode strains {lowest.weakest} most, and the "
        f"least damped has a damping ratio of {percent(least.damping_ratio, 2)}."
    ]
    if answer.line.held:
        return [*said, f"{answer.line.held} holds the line: nothing turns that could excite them."]
    near = answer.interference.nearest
    said.append(f"{crossing(answer.interference)}.")
    if near is not None and near.margin is not None and abs(near.margin) < _CLOSE:
        said.append("Do not dwell there: move the speed, or the stiffness of the part that it strains.")
    return said


def crossing(found: Interference) -> str:
    """Return where the resonance crossing lies that is nearest to the operating speed, in words."""
    near, reach = found.nearest, show(found.max_speed, "rad/s")
    if not found.meetings:
        return f"No excitation meets a mode up to {reach}"
    if near is None or near.margin is None:
        return f"{count(found)} up to {reach}; the operating speed is zero"
    where = "above" if near.margin > 0.0 else "below"
    return (
        f"The resonance crossing nearest to {show(found.operating_speed, 'rad/s')} lies "
        f"{abs(near.margin):.0f} % {where} it, at {show(near.speed, 'rad/s')}: order "
        f"{order_text(near.excitation.order)} ({near.excitation.source}) meets mode {near.mode}"
    )


def count(found: Interference) -> str:
    """Return how many resonance crossings there are, in words."""
    return f"{len(found.meetings)} resonance crossing{'' if len(found.meetings) == 1 else 's'}"
