"""What a study will take, told before it begins, and what most of it is for."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from shaftloop.analysis.cost import MapWork, loop_rates, map_seconds, run_seconds
from shaftloop.analysis.hypermap import mapped_slots
from shaftloop.analysis.lanes import can_share
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.sequence import longest_time
from shaftloop.engine import at
from shaftloop.engine.steprule import Stepping, longest_step
from shaftloop.scenario.description import Description
from shaftloop.studies.responses import simulates
from shaftloop.studies.whatif.reading import Study

__all__ = ["CostEstimate", "estimated"]

_READING = 0.003
"""Of reading a candidate, making its bench and finding its figures. [s]"""
_SINGLY, _IN_LANES, _OF_MAP = 0.4, 0.12, 0.3
"""Shares of estimates that refuse what is long, and so err on that side: of a run that it takes alone, of
one among others in lanes, of a map over a hyperperiod."""
_SEARCH = 60.0
"""Margins of a loop that its tuning takes as long as, about."""
_OTHERS = {"fidelity": 0.3, "uncertainty": 0.2, "modes": 0.005}
"""Of further questions, about. [s]"""


@dataclass(frozen=True)
class CostEstimate:
    """What is left of a study takes, within a factor of about three."""

    candidates: int
    """That are left."""
    parts: dict[str, float]
    """Time of one candidate by what it is for. [s]"""
    records: int
    """Of a run; 0 where nothing is simulated."""

    @property
    def seconds(self) -> float:
        """Processor time of all that is left [s]."""
        return self.candidates * sum(self.parts.values())

    @property
    def driver(self) -> str:
        """What takes most of it."""
        return max(self.parts, key=lambda part: self.parts[part])


def estimated(study: Study, left: int) -> CostEstimate:
    """Return what the candidates of a study take that are left, by the scenario as it is stated."""
    description, figures = study.scenario.description, study.figures
    parts, records = {"reading": _READING}, 0
    duration = longest_time(description)
    if simulates(figures) and math.isfinite(duration):
        bench = build_bench(description)
        stepping = Stepping(at.ETD4, longest_step(bench.model.plant, at.ETD4))
        share = _IN_LANES if can_share(bench) and study.tune is None else _SINGLY
        parts[f"runs of {duration:.4g} s"] = share * run_seconds(bench.model, stepping, duration)
        records = math.ceil(duration / float(bench.record_period))
    prefixes = {name.partition(".")[0] for name in figures}
    if "margins" in prefixes:
        delays = any(".delay_margin" in name for name in figures)
        loops = {name.split(".")[1] for name in figures if name.startswith("margins.")}
        parts["margins"] = _margins(description, loops, 100.0 if delays else 8.0)
    if study.tune is not None:
        parts["tuning"] = _SEARCH * _margins(description, study.tune.loops, 8.0)
    parts |= {prefix: seconds for prefix, seconds in _OTHERS.items() if prefix in prefixes}
    return CostEstimate(left, parts, records)


def _margins(description: Description, loops: Iterable[str], derivatives: float) -> float:
    """Return what the margins of some loops take [s]."""
    model = build_bench(description, smooth=True).model
    rates = {name: rate for name, rate in loop_rates(description).items() if name in loops}
    stepping = Stepping(at.ETD4, longest_step(model.plant, at.ETD4))
    return _OF_MAP * map_seconds(model, stepping, len(mapped_slots(model)), MapWork(rates, derivatives))
