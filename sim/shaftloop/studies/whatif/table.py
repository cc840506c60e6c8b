"""The rows of a study as columns of numbers: 8 bytes per factor and figure of a candidate, no more."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.studies.whatif.reading import Bound
from shaftloop.studies.whatif.store import ResultStore

__all__ = ["Table", "TableColumn", "read_table"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class TableColumn:
    """One factor or figure over all candidates."""

    name: str
    """Path of a factor, name of a figure."""
    unit: str
    values: Array
    """Shape (candidates,); nan where there is none, infinite beyond every bound. [unit]
    Of a factor with texts: the place in `texts`."""
    texts: tuple[str, ...] = ()
    """Texts that a factor takes; empty where it takes numbers."""


@dataclass(frozen=True)
class Table:
    """A study, finished or as far as it has come, in the order of its candidates."""

    factors: dict[str, TableColumn]
    """By path."""
    figures: dict[str, TableColumn]
    """By name."""
    done: Flags
    """Whether a candidate has been evaluated without a failure, shape (candidates,)."""
    evaluated: int
    """How many candidates have a row; fewer than all while the study runs."""

    def without(self, figure: str) -> int:
        """Return how many candidates with a row have no number for a figure, so that no mean counts them."""
        return self.evaluated - int(np.count_nonzero(np.isfinite(self.figures[figure].values)))

    def keeps(self, bound: Bound) -> Flags:
        """Return which candidates keep a bound; one without the figure does not."""
        values = self.figures[bound.metric].values
        kept = self.done & ~np.isnan(values)
        if bound.at_least is not None:
            kept &= values >= bound.at_least
        if bound.at_most is not None:
            kept &= values <= bound.at_most
        return kept

    def excess(self, bounds: tuple[Bound, ...]) -> Array:
        """Return by how much each candidate breaks the bound that it breaks most, shape (candidates,).

        In shares of the range of the figure, from -1 to 1 [1]; at most 0 where every bound is kept, 1 where
        a figure is missing.
        """
        worst = np.full(len(self.done), -1.0)
        for bound in bounds:
            values = self.figures[bound.metric].values
            finite = values[np.isfinite(values)]
            scale = (float(np.ptp(finite)) if len(finite) else 0.0) or 1.0
            for end, sign in ((bound.at_least, -1.0), (bound.at_most, 1.0)):
                if end is not None:
                    worst = np.fmax(worst, sign * (values - end) / scale)
        worst[~self.passes(bounds) & (worst <= 0.0)] = 1.0
        clipped: Array = np.clip(worst, -1.0, 1.0)
        return clipped

    def passes(self, bounds: tuple[Bound, ...]) -> Flags:
        """Return which candidates are done and keep all bounds."""
        passed = self.done.copy()
        for bound in bounds:
            passed &= self.keeps(bound)
        return passed


def read_table(store: ResultStore) -> Table:
    """Return the columns of a study, with a row for every candidate or fewer."""
    study, total = store.study, store.plan.total
    axes = study.axes
    codes = [
        {text: float(i) for i, text in enumerate(axis.levels())} if axis.worded else None for axis in axes
    ]
    factors = np.full((len(axes), total), np.nan)
    figures = np.full((len(study.figures), total), np.nan)
    done = np.zeros(total, dtype=np.bool_)
    for number, status, _, values, found, _ in store.entries():
        done[number] = status == "done"
        for i, (value, code) in enumerate(zip(values, codes, strict=True)):
            if value is not None:
                factors[i, number] = code[value] if code is not None else value
        figures[:, number] = [np.nan if value is None else value for value in found]
    return Table(
        {
            axis.path: TableColumn(axis.path, axis.unit or "1", row, tuple(map(str, code or ())))
            for axis, row, code in zip(axes, factors, codes, strict=True)
        },
        {
            name: TableColumn(name, entry.unit, row)
            for (name, entry), row in zip(study.figures.items(), figures, strict=True)
        },
        done,
        store.done,
    )
