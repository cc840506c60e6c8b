"""What a bench is, in words."""

from math import isfinite

from shaftloop.answers.show import ShowAnswer
from shaftloop.report.quantities import show

__all__ = ["verdict"]


def verdict(answer: ShowAnswer) -> list[str]:
    """Return what the bench is, in three sentences."""
    free = [body.seen for body in answer.bodies if isfinite(body.inertia)]
    geared = f" as {answer.bodies[0].name} has it" if any(body.pace != 1.0 for body in answer.bodies) else ""
    ends = " and ".join(answer.bodies[row[-1][0]].name for row in answer.tree.rows)
    said = [
        f"{answer.title}: {_count(len(free), 'rigid body', 'rigid bodies')} and "
        f"{_count(len(answer.springs), 'spring')} from {answer.bodies[0].name} to {ends}, "
        f"{sum(free):.4g} kg m² in all{geared}, "
        + (
            f"first mode at {answer.modes[0].frequency:.4g} Hz."
            if answer.modes
            else "with no mode that oscillates."
        )
    ]
    late = [task for task in answer.tasks if task.latency]
    if late:
        largest = max(late, key=lambda task: task.latency or 0.0)
        key = largest.latency_key
        said.append(
            f"Of the {_count(len(answer.tasks), 'task')}, {largest.name} hands over latest, "
            f"{show(largest.latency or 0.0, 's', 3)} after its tick"
            + (f" ({key.text}, a default)." if key is not None and key.origin == "default" else ".")
        )
    files, settings, defaults = (
        sum(value.origin == origin and value.text is not None for value in answer.values)
        for origin in ("file", "setting", "default")
    )
    said.append(
        f"{_count(files, 'value')} in files, {settings} set on top, {_count(defaults, 'default')}: "
        "look through those."
    )
    return said


def _count(number: int, word: str, many: str = "") -> str:
    return f"{number} {word if number == 1 else many or word + 's'}"
