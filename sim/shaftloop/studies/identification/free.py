"""Free parameters: values of the scenario, of a column of a log, or of its clock.

Each is moved by a number θ without unit. Quantities that cannot change their sign are ``start·exp(θ)``, so
that spreads are relative; others are ``start + scale·θ``. Whole ticks have no derivative: they are stepped.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from shaftloop.errors import ScenarioError
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.reading import Scenario, read_scenario, stated_values
from shaftloop.scenario.statements import Statement
from shaftloop.scenario.units import UnitError, read_quantity

__all__ = ["Free", "read_free"]

_DELAYS = ("latency", "transport", "dead_time", "output_latency", "delay")
_FAR = {"scaled": 3.0, "shifted": 1e3}
"""θ beyond which the end of what is admitted does not matter."""
_HALVED = 24
_TICK = 9
"""Digits of a latency [s]: it shares a tick with all others."""
_RECTANGULAR = math.sqrt(3.0)
"""Half width of a tolerance over its standard deviation (JCGM 100, 4.3.7)."""


@dataclass(frozen=True)
class Free:
    """A free parameter."""

    path: str
    start: float
    """In `unit`."""
    unit: str
    """SI unit."""
    kind: Literal["scaled", "shifted", "stepped"]
    scale: float = 1.0
    """Of a shifted or stepped one: what θ = 1 moves it by. [unit]"""
    prior: float | None = None
    """Standard deviation of what is known beforehand, of θ; nothing where nothing is known."""

    simulated: bool = True
    """Whether a run depends on it, and not only what is made of one."""
    low: float = -math.inf
    """θ below which the scenario would be refused."""
    high: float = math.inf

    @property
    def of_bench(self) -> bool:
        """Whether it is a value of the scenario."""
        return not self.path.startswith("log.")

    @property
    def in_time(self) -> bool:
        """Whether it moves something in time."""
        late = self.path.endswith(".late") or self.path in ("log.clock", "log.drift")
        return self.kind == "stepped" or (late and not self.of_bench)

    @property
    def reach(self) -> float:
        """How far it may go in one descent: a scaled one by a factor of 20."""
        return 3.0 if self.kind == "scaled" else math.inf

    def value(self, theta: float) -> float:
        """Return the value [unit].

        Parameters
        ----------
        theta : float
            How far it is moved.
        """
        if self.kind == "scaled":
            return self.start * math.exp(theta)
        value = self.start + self.scale * theta
        return round(value, _TICK) if self.kind == "stepped" else value

    def slope(self, theta: float) -> float:
        """Return the change of the value with θ [unit].

        Parameters
        ----------
        theta : float
            How far it is moved.
        """
        return self.value(theta) if self.kind == "scaled" else self.scale

    def setting(self, theta: float) -> str:
        """Return the value as a setting takes it.

        Parameters
        ----------
        theta : float
            How far it is moved.
        """
        number = f"{self.value(theta):.15g}"
        return f"{self.path}={number}" if self.unit == "1" else f"{self.path}={number} {self.unit}"


def read_free(scenario: Scenario, texts: Sequence[str], logged: dict[str, tuple[str, bool]]) -> list[Free]:
    """Return the free parameters.

    Parameters
    ----------
    scenario : Scenario
        The bench.
    texts : sequence of str
        ``PATH``, ``PATH=START`` or ``PATH=START ± TOLERANCE`` each.
    logged : dict
        Of the free parameters that the logs have, by path: unit, and whether a run depends on it.

    Raises
    ------
    ScenarioError
        With everything that is wrong.
    """
    statements = {entry.path: entry for entry in stated_values(scenario)}
    found, wrong = [], []
    for text in texts:
        try:
            found.append(_read(scenario, text, statements, logged))
        except ValueError as error:
            wrong.append(f"`free` {shown(text)}: {error}")
    paths = [free.path for free in found]
    wrong += [f"`free` {path}: stated twice" for path in dict.fromkeys(paths) if paths.count(path) > 1]
    if not texts:
        wrong.append("nothing is free: name what the logs are to find, `free` line.c1.stiffness")
    if wrong:
        raise ScenarioError(wrong)
    return found


def _read(
    scenario: Scenario, text: str, statements: dict[str, Statement], logged: dict[str, tuple[str, bool]]
) -> Free:
    path, stated, said = (part.strip() for part in text.partition("="))
    if path in logged:
        unit, start = logged[path][0], 1.0 if path.endswith(".gain") else 0.0
        kind: Literal["scaled", "shifted", "stepped"] = "scaled" if path.endswith(".gain") else "shifted"
    else:
        entry = statements.get(path)
        if entry is None:
            known = [p for p, s in statements.items() if isinstance(s.value, float)] + list(logged)
            raise ValueError(f"no such value{nearest(path, known)}")
        if isinstance(entry.value, bool) or not isinstance(entry.value, int | float | None):
            raise ValueError(f"{entry.text} is no number that could be found")
        if entry.unit is None:
            raise ValueError(f"{entry.text} is a count or a choice and no quantity that could be found")
        unit, start = entry.unit, float(entry.value or 0.0)
        kind = _kind(path)
    half = None
    if stated:
        start, half = _stated(said, unit, path)
    scale = abs(start) or (half or 0.0)
    if path in logged and not scale:
        scale = {"log.drift": 1e-4, "log.clock": 1e-3}.get(path, 1e-3 if path.endswith(".late") else 1.0)
    if kind == "scaled" and path not in logged and _changes_sign(scenario, path, start, unit):
        kind = "shifted"
    if not scale or (kind == "scaled" and start == 0.0):
        raise ValueError(f'it starts at 0, which says no size; state one, "{path}=0.1 {unit}"')
    of = abs(start) if kind == "scaled" else scale
    prior = None if half is None else half / _RECTANGULAR / of
    free = Free(path, start, unit, kind, scale, prior, path not in logged or logged[path][1])
    if kind == "stepped":
        return replace(free, low=-start / scale)
    if path in logged:
        return free
    return replace(free, low=_end(scenario, free, -1.0), high=_end(scenario, free, 1.0))


def _end(scenario: Scenario, free: Free, side: float) -> float:
    """Return how far a value may be moved to one side until the reader refuses it."""
    inside, outside = 0.0, _FAR[free.kind]
    if _admitted(scenario, free.setting(side * outside)) or not _admitted(scenario, free.setting(0.0)):
        return side * math.inf
    for _ in range(_HALVED):
        middle = 0.5 * (inside + outside)
        if _admitted(scenario, free.setting(side * middle)):
            inside = middle
        else:
            outside = middle
    return side * inside


def _kind(path: str) -> Literal["scaled", "shifted", "stepped"]:
    return "stepped" if path.rpartition(".")[2] in _DELAYS else "scaled"


def _stated(text: str, unit: str, path: str) -> tuple[float, float | None]:
    """Return start and half width of the tolerance."""
    head, *tail = re.split(r"±|\+-|\+/-", text)
    if len(tail) > 1:
        raise ValueError("one tolerance is enough")
    try:
        start = float(read_quantity(head.strip(), (unit,))[0])
        if not tail:
            return start, None
        width = tail[0].strip()
        if width.endswith("%"):
            half = abs(start) * float(read_quantity(width, ("1",))[0])
        else:
            half = float(read_quantity(width, (unit,))[0])
    except UnitError as error:
        raise ValueError(f"{error}; write {path}=START or {path}=START ± TOLERANCE") from None
    if not half > 0.0:
        raise ValueError("the tolerance must be above 0")
    return start, half


def _changes_sign(scenario: Scenario, path: str, start: float, unit: str) -> bool:
    """Return whether a value may be negative: the reader knows."""
    value = -abs(start) or -1e-9
    return _admitted(scenario, f"{path}={value!r}" if unit == "1" else f"{path}={value!r} {unit}")


def _admitted(scenario: Scenario, setting: str) -> bool:
    try:
        read_scenario(scenario.path, (*scenario.settings, setting), beside=scenario.beside)
    except ScenarioError:
        return False
    return True
