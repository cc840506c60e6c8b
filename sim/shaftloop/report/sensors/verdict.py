"""The answer about torque sensors in words."""

from shaftloop.answers.sensors import SensorsAnswer

__all__ = ["verdict"]

_MOST = 3


def verdict(answer: SensorsAnswer) -> list[str]:
    """Return which sensors serve, in one or two sentences.

    Parameters
    ----------
    answer : SensorsAnswer
        What was found.
    """
    judged = answer.judged
    standing = [entry for entry in judged if entry.serves is not False]
    if not standing:
        nearest = min(judged, key=lambda entry: len(entry.reasons), default=None)
        why = (
            ""
            if nearest is None
            else f" {nearest.candidate.file} comes nearest: {'; '.join(nearest.reasons)}."
        )
        return [f"None of {len(judged)} torque sensors serves.{why}"]
    names = ", ".join(entry.candidate.file for entry in standing[:_MOST])
    more = f" and {len(standing) - _MOST} more" if len(standing) > _MOST else ""
    serve = "serves" if len(standing) == 1 else "serve"
    said = [f"{len(standing)} of {len(judged)} torque sensors {serve}: {names}{more}."]
    if any(entry.serves is None or entry.lacks for entry in standing):
        said.append("That is as far as stated: say what is needed by --require, and add missing data.")
    return said
