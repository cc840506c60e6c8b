"""The answer of a tuning in words."""

from shaftloop.answers.tuning import TuneAnswer

__all__ = ["verdict"]


def verdict(answer: TuneAnswer) -> list[str]:
    """Return whether the gains may be used, and what binds them.

    Parameters
    ----------
    answer : TuneAnswer
        What was found.
    """
    said = [f"{answer.verdict[0].upper()}{answer.verdict[1:]}."]
    for name, found in answer.tuning.loops.items():
        design = found.chosen.design
        if design is not None:
            binding = f", held back by {found.binding[0]}" if found.binding else ""
            kp, ki = design.loop.kp, design.loop.ki
            said.append(
                f"Loop {name}: kp {kp.value:.4g} {kp.unit if kp.unit != '1' else ''}".rstrip()
                + f" and ki {ki.value:.4g} {ki.unit} ({found.chosen.title}){binding}."
            )
    if answer.tuning.recommended:
        said.append("Try them first at low speed and low torque, with limits set tight.")
    return said
