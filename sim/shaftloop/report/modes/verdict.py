"""The answer about the modes of a line in words."""

from shaftloop.answers.modes import ModesAnswer
from shaftloop.report.quantities import show

__all__ = ["verdict"]

_CLOSE = 15.0
"""Distance of a resonance crossing from the operating speed that is worth a word; common practice, no source.
[%]"""


def verdict(answer: ModesAnswer) -> list[str]:
    """Return where the line resonates, in at most three sentences.

    Parameters
    ----------
    answer : ModesAnswer
        What was found.
    """
    if not answer.modes:
        return ["No mode of the line oscillates: there is nothing to resonate with."]
    lowest, least = answer.modes[0], min(answer.modes, key=lambda mode: mode.damping_ratio)
    frequencies = ", ".join(f"{mode.frequency:.4g}" for mode in answer.modes)
    said = [
        f"The line resonates at {frequencies} Hz; the lowest mode strains {lowest.weakest} most, and the "
        f"least damped has a damping ratio of {least.damping_ratio:.2%}."
    ]
    crossing, found = answer.interference.nearest, answer.interference
    if crossing is None or crossing.margin is None:
        return [*said, f"No excitation meets a mode up to {show(found.max_speed, 'rad/s')}."]
    where = "above" if crossing.margin > 0.0 else "below"
    said.append(
        f"The resonance crossing nearest to {show(found.operating_speed, 'rad/s')} lies "
        f"{abs(crossing.margin):.0f} % {where} it, at {show(crossing.speed, 'rad/s')}: order "
        f"{crossing.excitation.order:g} ({crossing.excitation.source}) meets mode {crossing.mode}."
    )
    if abs(crossing.margin) < _CLOSE:
        said.append("Do not dwell there: move the speed, or the stiffness of the part that it strains.")
    return said
