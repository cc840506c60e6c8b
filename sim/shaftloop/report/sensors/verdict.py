"""The answer about torque sensors in words."""

from shaftloop.answers.sensors import SensorsAnswer
from shaftloop.studies.sensor_choice import JudgedSensor

__all__ = ["verdict"]

_MOST = 3


def verdict(answer: SensorsAnswer) -> list[str]:
    """Return which sensors serve, in one or two sentences."""
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
    serving = [entry for entry in standing if entry.serves]
    said = []
    if serving:
        serve = "serves" if len(serving) == 1 else "serve"
        said.append(f"{len(serving)} of {len(judged)} torque sensors {serve}: {_names(serving)}.")
    else:
        said.append(
            f"{len(standing)} of {len(judged)} torque sensors bear the torque: {_names(standing)}; "
            "whether one is certain enough is not judged."
        )
    if any(entry.serves is None or entry.lacks for entry in standing):
        said.append("That is as far as stated: say what is needed by `require`, and add missing data.")
    return said


def _names(chosen: list[JudgedSensor]) -> str:
    more = f" and {len(chosen) - _MOST} more" if len(chosen) > _MOST else ""
    return ", ".join(entry.candidate.file for entry in chosen[:_MOST]) + more
