"""A scenario that runs an experiment: the bench as it stands, with another sequence."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.cautions import cautions
from shaftloop.scenario.reading import Scenario
from shaftloop.scenario.tomltext import changed_text, with_cautions
from shaftloop.studies.identification.excitation import Stage

__all__ = ["restaged", "trace_text"]

_REPLACED = ("sequence", "duration", "duty", "fault", "expect")


def restaged(scenario: Scenario, stage: Stage, rate: float) -> str:
    """Return a scenario's text with an experiment as its sequence.

    Parameters
    ----------
    scenario : Scenario
        The bench; its faults, duty and expectations belong to its own sequence and are left out.
    stage : Stage
        The experiment.
    rate : float
        At which is logged. [Hz]
    """
    import tomlkit

    document = tomlkit.parse(scenario.text)
    for key in _REPLACED:
        document.pop(key, None)
    document["title"] = f"{document['title']}: experiment"
    record = document.setdefault("record", tomlkit.table())
    record["rate"] = f"{rate:.12g} Hz"
    steps = tomlkit.aot()
    for step in stage.steps:
        table = tomlkit.table()
        for key, value in step.items():
            table[key] = value
        steps.append(table)
    document.append("sequence", steps)
    return with_cautions(changed_text(document, scenario.text), cautions("injection", "resonance"))


def trace_text(table: dict[str, NDArray[np.float64]]) -> str:
    """Return the trace beside it as CSV.

    Parameters
    ----------
    table : dict
        Columns by header, shape (rows,) each.
    """
    rows: Any = zip(*table.values(), strict=True)
    return "\n".join([",".join(table), *(",".join(f"{x:.9g}" for x in row) for row in rows), ""])
