"""Answers as tables of pandas and xarray, which are loaded when they are first asked for."""

from collections.abc import Mapping
from typing import TYPE_CHECKING

from shaftloop.analysis.simulation import Simulation
from shaftloop.figures import Figure

if TYPE_CHECKING:
    import pandas
    import xarray

__all__ = ["figures_frame", "traces_dataset", "traces_frame"]


def figures_frame(figures: Mapping[str, Figure]) -> "pandas.DataFrame":
    """Return figures as a table: value, unit, meaning, and why there is no value."""
    import pandas

    rows = [(entry.value, entry.unit, entry.meaning, entry.reason) for entry in figures.values()]
    index = pandas.Index(list(figures), name="figure")
    return pandas.DataFrame(rows, index, columns=["value", "unit", "meaning", "reason"])


def traces_frame(simulation: Simulation) -> "pandas.DataFrame":
    """Return the recorded channels over time [s]; their units stand in ``attrs["units"]``."""
    import pandas

    frame = pandas.DataFrame(simulation.traces, pandas.Index(simulation.time, name="time"))
    frame.attrs["units"] = {"time": "s", **simulation.units}
    return frame


def traces_dataset(simulation: Simulation) -> "xarray.Dataset":
    """Return the recorded channels over time, each with its unit in ``attrs["units"]``."""
    import xarray

    channels = {
        name: ("time", values, {"units": simulation.units[name]})
        for name, values in simulation.traces.items()
    }
    return xarray.Dataset(channels, {"time": ("time", simulation.time, {"units": "s"})})
