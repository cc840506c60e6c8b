"""What a study file states. The reader and its messages are derived from these annotations."""

from dataclasses import dataclass
from typing import Annotated, Literal

from shaftloop.scenario.fields import Plain
from shaftloop.scenario.units import Stated
from shaftloop_models.parameters import Number, ParameterError

__all__ = ["Constraint", "Design", "Distribution", "Factor", "Objective", "StudyForm", "Tune", "Wanted"]

Distribution = Literal["normal", "uniform", "triangular", "lognormal"]


@dataclass(frozen=True)
class Factor:
    """A value of the scenario that varies: listed, over a range, by candidate parts or as it scatters."""

    path: Annotated[str, Number("what varies, as in a setting, e.g. loop.torque.kp")]
    values: Annotated[tuple[Plain, ...] | None, Number("the values that it takes")] = None
    parts: Annotated[
        tuple[str, ...] | None, Number("part files that take the place of that of an element of the line")
    ] = None
    low: Annotated[Stated | None, Number("lower end")] = None
    high: Annotated[Stated | None, Number("upper end")] = None
    count: Annotated[int | None, Number("values on a grid", ge=2, le=100_000)] = None
    scale: Annotated[Literal["linear", "log"], Number("how values spread between the ends")] = "linear"
    distribution: Annotated[Distribution | None, Number("how the value scatters")] = None
    nominal: Annotated[
        Stated | None, Number("middle of the distribution; the value of the scenario where left out")
    ] = None
    spread: Annotated[
        Stated | None,
        Number(
            "normal: standard deviation; lognormal: that of the logarithm; uniform and triangular: half of "
            "the width; in % of the nominal value, or absolute"
        ),
    ] = None

    def __post_init__(self) -> None:
        """Check that the factor says in exactly one way how it varies."""
        ways = [name for name in ("values", "parts", "distribution") if getattr(self, name) is not None]
        if not ways:
            self._check_range()
        elif len(ways) > 1:
            raise ParameterError(ways[1], f"there is {ways[0]} already; a factor varies in one way")
        elif self.distribution is None:
            self._check_list(ways[0])
        else:
            self._check_distribution()

    def _check_range(self) -> None:
        if self.low is None and self.high is None:
            message = "does not say how it varies; state values, low and high, parts, or a distribution"
            raise ParameterError("", message)
        for key in ("low", "high"):
            if getattr(self, key) is None:
                raise ParameterError(key, f'missing; write e.g. {key} = "20 kN m/rad"')
        self._refuse("nominal", "spread", why="goes with a distribution")

    def _check_list(self, way: str) -> None:
        items = self.values if way == "values" else self.parts
        if not items:
            raise ParameterError(way, "the list is empty, so the design has no candidate; state at least one")
        if len({(type(item) is bool, item) for item in items}) < len(items):
            raise ParameterError(way, "a value stands there twice; leave one out")
        self._refuse("low", "high", "count", "nominal", "spread", why=f"does not go with {way}")

    def _check_distribution(self) -> None:
        if self.scale == "log":
            raise ParameterError("scale", 'goes with a range; write distribution = "lognormal"')
        bounded = self.distribution in ("uniform", "triangular")
        if bounded and self.spread is None and (self.low is None or self.high is None):
            raise ParameterError("", f"{self.distribution}: state low and high, or a spread")
        if bounded and self.spread is not None:
            self._refuse("low", "high", why="does not go with a spread")
        if self.distribution == "uniform" and self.spread is None:
            self._refuse("nominal", why="goes with a spread")
        if not bounded and self.spread is None:
            raise ParameterError("spread", 'missing; write e.g. spread = "5 %"')

    def _refuse(self, *keys: str, why: str) -> None:
        for key in keys:
            if getattr(self, key) is not None:
                raise ParameterError(key, f"{why}; leave it out")


@dataclass(frozen=True)
class Design:
    """Which candidates are looked at."""

    kind: Annotated[
        Literal["grid", "one_at_a_time", "latin_hypercube", "sobol", "monte_carlo", "saltelli"],
        Number("how candidates are chosen"),
    ]
    count: Annotated[
        int | None, Number("candidates; of saltelli: rows, each of factors + 2 candidates", ge=1, le=10**7)
    ] = None
    seed: Annotated[int, Number("seed of what is drawn at random", ge=0, le=2**32 - 1)] = 0

    @property
    def gridded(self) -> bool:
        """Whether factors take the values of a grid."""
        return self.kind in ("grid", "one_at_a_time")

    def __post_init__(self) -> None:
        """Check that the count is there exactly where it is not given by the factors."""
        if self.gridded:
            if self.count is not None:
                raise ParameterError("count", f"of a {self.kind} follows from the factors; leave it out")
        elif self.count is None:
            raise ParameterError("count", "missing; the design would be empty; write e.g. count = 256")
        elif self.kind == "saltelli" and self.count & (self.count - 1):
            below = 1 << (self.count.bit_length() - 1)
            message = f"{self.count} is no power of 2, which the indices need; write {below} or {2 * below}"
            raise ParameterError("count", message)


@dataclass(frozen=True)
class Wanted:
    """A figure to be found for every candidate."""

    metric: Annotated[str, Number("figure, e.g. margins.torque.ms or simulate.torque_rise_time")]


@dataclass(frozen=True)
class Constraint:
    """What a candidate must keep."""

    metric: Annotated[str, Number("figure that is judged")]
    at_most: Annotated[Stated | None, Number("upper bound")] = None
    at_least: Annotated[Stated | None, Number("lower bound")] = None

    def __post_init__(self) -> None:
        """Check that there is a bound."""
        if self.at_most is None and self.at_least is None:
            raise ParameterError("", 'no bound; state at_most or at_least, e.g. at_most = "20 ms"')


@dataclass(frozen=True)
class Objective:
    """What makes one candidate better than another."""

    metric: Annotated[str, Number("figure that is compared")]
    goal: Annotated[Literal["minimise", "maximise"], Number("which way is better")] = "minimise"


@dataclass(frozen=True)
class Tune:
    """Loops that are tuned for every candidate; its figures are those of the bench with these gains."""

    loops: Annotated[tuple[str, ...], Number("loops that are tuned, several of them together")]
    structure: Annotated[str, Number("control structure, as the command tune has them")] = "kept"
    objective: Annotated[
        Literal["disturbance", "setpoint", "integral_gain"],
        Number("least error after a disturbance or a step of the set-point, or the largest ki"),
    ] = "disturbance"
    ms: Annotated[float, Number("largest |1/(1 + L)|", gt=1.0, le=100.0)] = 1.6
    mt: Annotated[float, Number("largest |L/(1 + L)|", gt=1.0, le=100.0)] = 1.4

    def __post_init__(self) -> None:
        """Check that there is a loop, and none twice."""
        if not self.loops:
            raise ParameterError("loops", 'the list is empty; write e.g. loops = ["torque"]')
        if len(set(self.loops)) < len(self.loops):
            raise ParameterError("loops", "a loop stands there twice; leave one out")


@dataclass(frozen=True)
class StudyForm:
    """A study file."""

    scenario: Annotated[str, Number("scenario file, beside the study, or the name of a shipped one")]
    design: Design
    factor: tuple[Factor, ...] = ()
    title: str = ""
    settings: Annotated[tuple[str, ...], Number("what else is set in the scenario, path=value each")] = ()
    expectations: Annotated[bool, Number("false: the [[expect]] tables of the scenario are no bounds")] = True
    tune: Tune | None = None
    response: tuple[Wanted, ...] = ()
    constraint: tuple[Constraint, ...] = ()
    objective: tuple[Objective, ...] = ()

    def __post_init__(self) -> None:
        """Check that something varies and something is asked for."""
        if not self.factor:
            raise ParameterError("factor", "missing; the design is empty; add [[factor]]")
        if not self.response and not self.constraint and not self.objective:
            raise ParameterError("response", "missing; no figure is asked for; add [[response]]")
