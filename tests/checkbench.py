"""A bench with expectations for the tests of checks, and figures that cost nothing.

The figures are closed forms of the gains, so that a test knows what must come out; `fake_figures` puts them
in place of the analyses.
"""

from collections.abc import Sequence
from pathlib import Path

import pytest

from shaftloop.errors import SimulationError
from shaftloop.figures import Figure
from shaftloop.scenario.description import Description
from shaftloop.scenario.shipped import shipped_folder
from shaftloop.studies.responses import SOURCES, ResponseSource


def figure(value, unit="1", reason="", beyond="", **rest):
    """Return a figure as an analysis finds it, without name and meaning."""
    return Figure("", unit, "", value, reason, beyond=beyond, **rest)


EXPECTED = """
[[expect]]
metric = "margins.torque.ms"
at_most = 1.6
relative_tolerance = "5 %"
why = "soft couplings"

[[expect]]
metric = "margins.torque.phase_margin"
at_least = "35 deg"
tolerance = "3 deg"
name = "phase"

[[expect]]
metric = "simulate.torque_rise_time"
at_most = "20 ms"
"""
"""Of kp = 0.4 as it stands: Ms 1.4, phase margin 60 deg, rise time 10 ms."""


def bench_text(expected: str = EXPECTED) -> str:
    """Return the reference bench with other expectations."""
    text = (shipped_folder() / "reference-bench.toml").read_text(encoding="utf-8")
    return text[: text.index("\n# Only that the problem")] + expected


def write_bench(path: Path, expected: str = EXPECTED, *edits: tuple[str, str]) -> Path:
    """Write the bench with expectations and texts replaced, each of which must occur."""
    text = bench_text(expected)
    for old, new in edits:
        assert old in text, old
        text = text.replace(old, new, 1)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def kp_of(description: Description) -> float:
    """Return the gain that the figures follow from."""
    return next(loop.kp.value for loop in description.loop if loop.name == "torque")


def fake_figures(patch: pytest.MonkeyPatch) -> None:
    """Replace margins and metrics by closed forms: Ms 1 + kp, margin 100 - 100·kp deg, rise time 4 ms/kp."""

    def margins(description: Description, _: Sequence[str]) -> dict[str, Figure]:
        kp = kp_of(description)
        if kp >= 1.0:
            lost = figure(None, "1", "the bench is unstable (largest eigenvalue 1.200000)")
            return {"torque.ms": lost, "torque.phase_margin": figure(None, "deg", lost.reason)}
        if kp < 0.01:
            endless = figure(None, "deg", "|L| never crosses 1", "above")
            return {"torque.ms": figure(1.0 + kp, "1"), "torque.phase_margin": endless}
        found = {"torque.ms": figure(1.0 + kp, "1")}
        return found | {"torque.phase_margin": figure(100.0 - 100.0 * kp, "deg")}

    def simulate(description: Description, names: Sequence[str]) -> dict[str, Figure]:
        kp = kp_of(description)
        if kp > 5.0:
            raise SimulationError("the bench diverges at 0.1 s", "lower the gains")
        rise = figure(4e-3 / kp if kp else None, "s", "" if kp else "no step")
        loads = {name: figure(2.5 * kp, "1") for name in names if name.startswith("load_of_limit.")}
        return {"torque_rise_time": rise, "trips": figure(0.0, "1"), **loads}

    for prefix, run in (("margins", margins), ("simulate", simulate)):
        patch.setitem(SOURCES, prefix, ResponseSource(SOURCES[prefix].known, run))
