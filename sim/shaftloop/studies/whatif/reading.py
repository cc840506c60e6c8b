"""Study file -> study, with every error at once and its place in the file."""

import hashlib
import importlib.metadata
from collections.abc import Sequence
from copy import deepcopy
from dataclasses import asdict, dataclass
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

import shaftloop_models
from shaftloop.errors import ScenarioError
from shaftloop.figures import Figure
from shaftloop.scenario.derive import validate
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.locate import KeyPath
from shaftloop.scenario.problems import Problems
from shaftloop.scenario.reading import Scenario, read_scenario, stated_value
from shaftloop.scenario.shipped import shipped_folder, shipped_names
from shaftloop.scenario.source import find_beside, label_of, load_toml, read_text
from shaftloop.scenario.units import Stated, UnitError, parse_quantity
from shaftloop.studies.responses import OVERLOADED, known, require, simulates
from shaftloop.studies.whatif.factors import Axis, FactorSpread, listed, spread
from shaftloop.studies.whatif.form import Constraint, Design, Factor, StudyForm, Tune
from shaftloop.studies.whatif.tuned import FEASIBLE, PREFIX, check_tune, tuned_known

__all__ = ["Bound", "Goal", "Study", "find_study", "read_study", "shipped_studies"]

_PROBES = (0.5, 0.001, 0.999)
"""Shares at which a range is tried on the scenario."""
_MOST_PART_BYTES = 1_000_000
_ASKING = ("response", "constraint", "objective")
"""Tables of a study that name a figure."""


@dataclass(frozen=True)
class Bound:
    """What a candidate must keep, in the unit of the figure."""

    metric: str
    at_least: float | None
    at_most: float | None
    origin: str
    """``study``, ``tune`` or ``scenario``."""


@dataclass(frozen=True)
class Goal:
    """What makes one candidate better than another."""

    metric: str
    maximise: bool


@dataclass(frozen=True)
class Study:
    """A study that has been read and checked."""

    name: str
    """Name of the file without its ending."""
    path: Path
    title: str
    scenario: Scenario
    """With the settings of the study."""
    settings: tuple[str, ...]
    """``path=value`` each, below the factors."""
    beside: tuple[Path, ...]
    """Further folders that may hold part files."""
    axes: tuple[Axis, ...]
    design: Design
    tune: Tune | None
    """What is tuned for every candidate."""
    figures: dict[str, Figure]
    """Figures of every candidate: those that the study names, those of tuning, then those of the scenario's
    expectations."""
    asked: tuple[str, ...]
    """Figures that the study itself names."""
    bounds: tuple[Bound, ...]
    goals: tuple[Goal, ...]
    identity: dict[str, Any]
    """All that decides the figures of the candidates; plain values."""


def shipped_studies() -> list[str]:
    """Return the names of the shipped studies, sorted."""
    return sorted(path.stem for path in (shipped_folder() / "studies").glob("*.toml"))


def find_study(source: str | Path) -> Path:
    """Return the file that a command line means: a path, or the name of a shipped study.

    Raises
    ------
    ScenarioError
        Where there is none.
    """
    path, names = Path(source), shipped_studies()
    if path.is_file():
        return path
    if str(source) in names:
        return shipped_folder() / "studies" / f"{source}.toml"
    message = f"no such file and no shipped study; shipped: {', '.join(names)}"
    raise ScenarioError([f"{shown(str(source))}: {message}{nearest(path.stem, names)}"])


def read_study(source: str | Path, settings: Sequence[str] = ()) -> Study:
    """Read and check a study, a file or a shipped one by name, with ``path=value`` on top of its settings.

    Raises ScenarioError with everything that is wrong: ``file:line: key: what is wrong, the allowed range, a
    fix``.
    """
    path = find_study(source)
    file = load_toml(path, label_of(path))
    problems = Problems(file, deepcopy(file.document))
    form, errors = validate(StudyForm, problems.document)
    for where, message in errors:
        problems.error(where, message)
    problems.raise_if_any()
    return _Reader(problems, form, (*form.settings, *settings)).study()


class _Reader:
    """A study file that is in form, on its way to a study of a scenario."""

    def __init__(self, problems: Problems, form: StudyForm, settings: tuple[str, ...]) -> None:
        self.problems = problems
        self.form = form
        self.settings = settings
        self.beside = (problems.source.path.parent,)
        try:
            source = _scenario(form.scenario, self.beside)
        except ValueError as error:
            problems.error(("scenario",), str(error))
            problems.raise_if_any()
            raise
        self.scenario = read_scenario(source, settings, beside=self.beside)
        self.tuned = tuned_known(form.tune, self.scenario.description) if form.tune else {}

    def study(self) -> Study:
        axes = [axis for i, factor in enumerate(self.form.factor) if (axis := self._axis(i, factor))]
        self._check_twins()
        self._check_tune()
        wanted = [*self._named(), *(entry.metric for entry in self._expected())]
        have = known(self.scenario.description, wanted) | self.tuned
        figures = self._figures(have)
        bounds = self._bounds(have)
        self.problems.raise_if_any()
        form, path = self.form, self.problems.source.path
        return Study(
            name=path.stem,
            path=path,
            title=form.title or f"{path.stem}: {self.scenario.description.title}",
            scenario=self.scenario,
            settings=self.settings,
            beside=self.beside,
            axes=tuple(axes),
            design=form.design,
            tune=form.tune,
            figures={name: have[name] for name in figures},
            asked=tuple(name for name in figures if name in self._named()),
            bounds=bounds,
            goals=tuple(Goal(goal.metric, goal.goal == "maximise") for goal in form.objective),
            identity=self._identity(axes, figures),
        )

    def _axis(self, index: int, factor: Factor) -> Axis | None:
        """Return a factor that the scenario has, nothing where it does not."""
        place: KeyPath = ("factor", index)
        try:
            stated = stated_value(self.scenario.path, factor.path, self.settings, beside=self.beside)
        except LookupError as error:
            self.problems.error((*place, "path"), f"{shown(factor.path)}: {error.args[0]}")
            return None
        if isinstance(stated, dict | list) and factor.parts is None:
            self.problems.error(
                (*place, "path"), f"{shown(factor.path)} is a table or list; name a key of it"
            )
            return None
        if factor.parts is not None:
            return self._parts(place, factor)
        try:
            axis = listed(factor) if factor.values is not None else spread(factor, _nominal(factor, stated))
        except UnitError as error:
            self.problems.error(place, str(error))
            return None
        return self._tried(place, axis) if self._counted(place, axis) else None

    def _parts(self, place: KeyPath, factor: Factor) -> Axis | None:
        raw = load_toml(self.scenario.path, "").document.get("line", [])
        entry = next((e for e in raw if factor.path == f"line.{e.get('name')}"), None)
        if entry is None:
            message = f"{shown(factor.path)}: parts take the place of an element of the line, e.g. line.c1"
            self.problems.error((*place, "path"), message)
            return None
        if "from" not in entry:
            message = (
                f"{shown(factor.path)} states its values in the scenario itself; "
                'put them into a part file and name that by from = "parts/..."'
            )
            self.problems.error((*place, "path"), message)
            return None
        return self._tried(place, listed(factor))

    def _counted(self, place: KeyPath, axis: Axis) -> bool:
        """Return whether a factor has the values that the design asks of it."""
        if self.form.design.gridded and isinstance(axis, FactorSpread) and not axis.count:
            self.problems.error(
                (*place, "count"), "missing; a grid needs the number of values, e.g. count = 7"
            )
            return False
        return True

    def _tried(self, place: KeyPath, axis: Axis) -> Axis | None:
        """Return a factor of which the scenario takes at least one value; of parts it must take all."""
        parts = axis.path.endswith(".from")
        values = (
            [axis.at(share) for share in _PROBES] if isinstance(axis, FactorSpread) else list(axis.choices)
        )
        refusals = []
        for value in values:
            setting = axis.setting(value)
            try:
                read_scenario(self.scenario.path, (*self.settings, setting), beside=self.beside)
            except ScenarioError as error:
                refusals.append((value, error.messages[0].removeprefix(f"`settings` {setting[:80]}: ")))
            else:
                if not parts:
                    return axis
        if not refusals:
            return axis
        value, reason = refusals[0]
        where = (*place, "parts") if parts else place
        self.problems.error(where, f"{axis.path}: {reason}")
        return None

    def _check_twins(self) -> None:
        """Refuse two factors that would set the same key."""
        seen: dict[str, int] = {}
        for index, factor in enumerate(self.form.factor):
            first = seen.setdefault(factor.path.lower(), index)
            if first != index:
                message = f"{shown(factor.path)} varies in factor {first} already; put both into one"
                self.problems.error(("factor", index, "path"), message)

    def _check_tune(self) -> None:
        request = self.form.tune
        if request is not None:
            paths = [factor.path for factor in self.form.factor]
            for key, message in check_tune(request, self.scenario.description, paths):
                self.problems.error(("tune", key), message)

    def _figures(self, have: dict[str, Figure]) -> list[str]:
        for key in _ASKING:
            for i, entry in enumerate(getattr(self.form, key)):
                if entry.metric not in have:
                    self._unknown((key, i, "metric"), entry.metric)
        expected = [entry.metric for entry in self._expected()]
        names = [*self._named(), *self.tuned, *expected]
        return list(dict.fromkeys([*names, *([OVERLOADED] if simulates(names) else [])]))

    def _named(self) -> list[str]:
        return [entry.metric for key in _ASKING for entry in getattr(self.form, key)]

    def _unknown(self, place: KeyPath, name: str) -> None:
        if name.startswith(PREFIX):
            known = f"known: {', '.join(self.tuned)}" if self.tuned else "add a table [tune]"
            hint = nearest(name, self.tuned)
            self.problems.error(place, f"{shown(name)} is no figure of what is tuned; {known}{hint}")
            return
        try:
            require(self.scenario.description, [name])
        except ScenarioError as error:
            self.problems.error(place, error.messages[0])

    def _bounds(self, have: dict[str, Figure]) -> tuple[Bound, ...]:
        found = [Bound(name, 1.0, None, "tune") for name in self.tuned if name.endswith(FEASIBLE)]
        entries: list[tuple[KeyPath, Constraint, str]] = [
            (("constraint", i), e, "study") for i, e in enumerate(self.form.constraint)
        ]
        entries += [((), e, "scenario") for e in self._expected()]
        for place, entry, origin in entries:
            if entry.metric not in have:
                if origin == "scenario":
                    self.problems.error(
                        ("scenario",), f"expect: {shown(entry.metric)} is no figure of the bench"
                    )
                continue
            ends = []
            for key in ("at_least", "at_most"):
                stated: Stated | None = getattr(entry, key)
                try:
                    ends.append(None if stated is None else stated.to(have[entry.metric].unit))
                except UnitError as error:
                    where = (*place, key) if place else ("scenario",)
                    self.problems.error(where, f"{entry.metric}: {error}")
                    ends.append(None)
            found.append(Bound(entry.metric, ends[0], ends[1], origin))
        return tuple(found)

    def _expected(self) -> list[Constraint]:
        """Return the expectations of the scenario that have a bound; tolerances compare with a baseline."""
        entries = self.scenario.description.expect if self.form.expectations else ()
        return [
            Constraint(entry.metric, entry.at_most, entry.at_least)
            for entry in entries
            if entry.at_most is not None or entry.at_least is not None
        ]

    def _identity(self, axes: Sequence[Axis], figures: Sequence[str]) -> dict[str, Any]:
        found: dict[str, Any] = {
            "version": _version(),
            "code": _code(),
            "scenario": self.scenario.hash,
            "design": asdict(self.form.design),
            "figures": list(figures),
            "tune": asdict(self.form.tune) if self.form.tune else None,
        }
        folders = (self.scenario.path.parent, *self.beside, shipped_folder())
        for axis in axes:
            # Compared as text: infinite ends are no JSON.
            found[f"factor {axis.path}"] = repr(axis)
            if axis.path.endswith(".from"):
                files = [find_beside(str(choice), folders) for choice in axis.levels()]
                texts = "\0".join(read_text(file, label_of(file), _MOST_PART_BYTES) for file in files)
                found[f"parts of {axis.path}"] = hashlib.sha256(texts.encode()).hexdigest()
        return found


def _scenario(name: str, beside: Sequence[Path]) -> Path:
    """Return the scenario that a study names, beside it or shipped; a ValueError says why there is none."""
    shipped = shipped_names()
    try:
        return find_beside(name, beside, "study")
    except ValueError as error:
        if name in shipped:
            return shipped_folder() / f"{name}.toml"
        if not str(error).startswith("no file"):
            raise
    hint = f"shipped: {', '.join(shipped)}{nearest(name, shipped)}"
    raise ValueError(f"no file {shown(name)} beside the study and no shipped scenario; {hint}")


def _nominal(factor: Factor, stated: object) -> Stated | None:
    """Return the middle of a distribution: as the factor states it, else as the scenario does."""
    if factor.nominal is not None or factor.distribution is None:
        return factor.nominal
    if factor.spread is None and factor.distribution in ("uniform", "triangular"):
        return None
    if isinstance(stated, str):
        return Stated(*parse_quantity(stated))
    if isinstance(stated, int | float) and not isinstance(stated, bool):
        return Stated(Fraction(repr(stated)), "")
    return None


@cache
def _code() -> str:
    """Return a hash of every source that a figure can depend on."""
    digest = hashlib.sha256()
    for root in (Path(__file__).parents[2], Path(shaftloop_models.__path__[0])):
        for path in sorted(root.rglob("*.py")):
            if not {"cli", "report"} & set(path.relative_to(root).parts):
                digest.update(path.read_bytes())
    return digest.hexdigest()


def _version() -> str:
    try:
        return importlib.metadata.version("shaftloop")
    except importlib.metadata.PackageNotFoundError:
        return "unknown"
