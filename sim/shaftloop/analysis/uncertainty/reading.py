"""Measurement file (TOML) -> measurement.

::

    title = "Shaft power"
    coverage = 0.95

    [quantity.torque]
    readings = ["90.02 N m", "89.95 N m", "90.07 N m"]

    [quantity.gain]
    value = 1
    distribution = "rectangular"
    half_width = "0.1 %"

    [quantity.speed]
    value = "800 rpm"
    expanded_uncertainty = "0.4 rpm"
    coverage_factor = 2

    [[measurement]]
    name = "power"
    expression = "gain*torque*speed"
    unit = "kW"
"""

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np

from shaftloop.analysis.uncertainty.dimensions import Dimension, check_expression, describe, si_unit
from shaftloop.analysis.uncertainty.evaluation import Plan
from shaftloop.analysis.uncertainty.grammar import (
    CONSTANTS,
    FUNCTIONS,
    ExpressionError,
    Instruction,
    evaluate,
    parse,
)
from shaftloop.analysis.uncertainty.model import Input, Measurement, Output
from shaftloop.analysis.uncertainty.montecarlo import MOST_TRIALS
from shaftloop.analysis.uncertainty.stated import QUANTITY_KEYS, StatedUnit, bare_number, read_quantity_table
from shaftloop.analysis.uncertainty.tails import Readings
from shaftloop.errors import ScenarioError
from shaftloop.scenario.derive import unknown_key
from shaftloop.scenario.fields import nearest, shown
from shaftloop.scenario.problems import Problems
from shaftloop.scenario.source import label_of, load_toml
from shaftloop.scenario.units import UnitError
from shaftloop_models.parameters import ParameterError

__all__ = ["MeasurementFile", "is_measurement_file", "read_measurement_file"]

_NAME = re.compile("[A-Za-z_][A-Za-z0-9_]*")
_KEYS = ("title", "coverage", "coverage_factor", "quantity", "correlation", "measurement", "monte_carlo")
_MOST = {"quantity": 200, "measurement": 50, "correlation": 200}


@dataclass(frozen=True)
class MeasurementFile:
    """A measurement file that has been read and checked."""

    name: str
    """Of the file without its ending."""
    title: str
    path: Path
    hash: str
    """SHA-256 of the text."""
    measurement: Measurement
    plan: Plan
    expressions: tuple[str, ...]
    """One per result, as stated."""
    warnings: tuple[str, ...]


def is_measurement_file(path: Path) -> bool:
    """Return whether a TOML file describes a measurement and not a bench."""
    document = load_toml(path, label_of(path)).document
    return "line" not in document and bool({"measurement", "quantity"} & set(document))


def read_measurement_file(path: Path) -> MeasurementFile:
    """Read and check a measurement file, with at least one ``[[measurement]]``.

    Raises ScenarioError with everything that is wrong: ``file:line: key: what is wrong, the allowed range, a
    fix``.
    """
    source = load_toml(path, label_of(path))
    document, problems = source.document, Problems(source, source.document)
    for key in document:
        if key not in _KEYS:
            problems.error((key,), unknown_key(key, _KEYS))
    title = document.get("title", path.stem)
    if not isinstance(title, str):
        problems.error(("title",), f"{shown(title)} is no text")
    plan = _read_plan(document, problems)
    inputs, units = _read_quantities(document, problems)
    pairs = _read_correlations(document, problems, inputs)
    results = _read_measurements(document, problems, units)
    problems.raise_if_any()
    measurement = _measurement(problems, inputs, units, pairs, results)
    _warn(problems, inputs, results)
    digest = hashlib.sha256(source.text.encode()).hexdigest()
    expressions = tuple(result.text for result in results)
    return MeasurementFile(
        path.stem, str(title), path, digest, measurement, plan, expressions, problems.warnings()
    )


@dataclass(frozen=True)
class _Result:
    output: Output
    text: str
    program: tuple[Instruction, ...]
    factor: float
    """SI units per unit."""


def _measurement(
    problems: Problems,
    inputs: Sequence[Input],
    units: Mapping[str, StatedUnit],
    pairs: Mapping[tuple[str, str], float],
    results: Sequence[_Result],
) -> Measurement:
    factors = [float(units[entry.name].factor) for entry in inputs]

    def function(*values: Any) -> list[Any]:
        known = {entry.name: v * f for entry, v, f in zip(inputs, values, factors, strict=True)}
        found = []
        for result in results:
            known[result.output.name] = np.asarray(evaluate(result.program, known), float)
            found.append(known[result.output.name] / result.factor)
        return found if len(results) > 1 else found[0]

    try:
        return Measurement(function, inputs, [result.output for result in results], pairs)
    except ScenarioError as error:
        # Of all its checks only that of the correlations as a whole can fail here.
        problems.error(("correlation",), error.messages[0])
        problems.raise_if_any()
        raise


def _tables(document: Mapping[str, Any], problems: Problems, key: str) -> list[dict[str, Any]]:
    items = document.get(key, [])
    if not isinstance(items, list) or not all(isinstance(item, dict) for item in items):
        problems.error((key,), f"{shown(items)} where tables are due; write [[{key}]] for each")
        return []
    if len(items) > _MOST[key]:
        problems.error((key,), f"{len(items)} entries; at most {_MOST[key]}")
        return []
    return items


def _known_keys(
    table: Mapping[str, Any], path: tuple[str | int, ...], known: Sequence[str], problems: Problems
) -> bool:
    strays = [key for key in table if key not in known]
    for key in strays:
        problems.error((*path, key), unknown_key(key, known))
    return not strays


def _read_plan(document: Mapping[str, Any], problems: Problems) -> Plan:
    stated: dict[str, Any] = {}
    for key, low, high in (("coverage", 0.0, 0.9999), ("coverage_factor", 0.0, 10.0)):
        if key in document:
            try:
                number = bare_number(key, document[key])
                if not low < number <= high:
                    raise ParameterError(
                        key, f"{number:g} is out of range; allowed: above {low:g}, at most {high:g}"
                    )
                stated[{"coverage": "coverage", "coverage_factor": "factor"}[key]] = number
            except ParameterError as error:
                problems.error((key,), error.message)
    table = document.get("monte_carlo", {})
    if not isinstance(table, dict):
        problems.error(("monte_carlo",), f"{shown(table)} where a table is due; write [monte_carlo]")
        return Plan()
    _known_keys(table, ("monte_carlo",), ("trials", "seed", "digits", "interval", "alone"), problems)
    for key, least, most in (("trials", 2, MOST_TRIALS), ("seed", 0, 2**32 - 1), ("digits", 1, 4)):
        value = table.get(key)
        if value is None or (key == "trials" and value == "adaptive"):
            continue
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            word = ' or "adaptive"' if key == "trials" else ""
            problems.error(
                ("monte_carlo", key), f"{shown(value)} is no whole number from {least} to {most}{word}"
            )
        else:
            stated[key] = value
    interval = table.get("interval", "symmetric")
    if interval not in ("symmetric", "shortest"):
        problems.error(("monte_carlo", "interval"), f"{shown(interval)} is not one of: symmetric, shortest")
    alone = table.get("alone", False)
    if not isinstance(alone, bool):
        problems.error(("monte_carlo", "alone"), f"{shown(alone)} is neither true nor false")
    return Plan(**stated, interval=interval, alone=alone is True)


def _read_quantities(
    document: Mapping[str, Any], problems: Problems
) -> tuple[list[Input], dict[str, StatedUnit]]:
    tables = document.get("quantity", {})
    inputs: list[Input] = []
    units: dict[str, StatedUnit] = {}
    if not isinstance(tables, dict) or not 1 <= len(tables) <= _MOST["quantity"]:
        problems.error(
            ("quantity",), f"1 to {_MOST['quantity']} quantities are due; write [quantity.NAME] for each"
        )
        return inputs, units
    for name, table in tables.items():
        path = ("quantity", name)
        if not isinstance(table, dict):
            problems.error(path, f"{shown(table)} where a table is due; write [quantity.{name}]")
        elif _good_name(name, path, problems) and _known_keys(table, path, QUANTITY_KEYS, problems):
            try:
                entry, units[name] = read_quantity_table(name, table)
                inputs.append(entry)
            except ParameterError as error:
                key = error.key.partition("[")[0]
                problems.error((*path, key if key in QUANTITY_KEYS else "value"), error.message)
    return inputs, units


def _stated(document: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return the tables of all quantities, sound or not."""
    tables = document.get("quantity")
    return tables if isinstance(tables, dict) else {}


def _good_name(name: object, path: tuple[str | int, ...], problems: Problems) -> bool:
    if not isinstance(name, str) or not _NAME.fullmatch(name) or len(name) > 60:
        problems.error(
            path, f"{shown(name)} is no name; use letters, digits and _, not a digit first, at most 60"
        )
        return False
    if name in FUNCTIONS or name in CONSTANTS:
        problems.error(path, f"{shown(name)} is the name of a function or constant; choose another")
        return False
    return True


def _read_correlations(
    document: Mapping[str, Any], problems: Problems, inputs: Sequence[Input]
) -> dict[tuple[str, str], float]:
    known = {entry.name: entry for entry in inputs}
    stated = _stated(document)
    pairs: dict[tuple[str, str], float] = {}
    for index, table in enumerate(_tables(document, problems, "correlation")):
        path = ("correlation", index)
        if not _known_keys(table, path, ("between", "coefficient", "simultaneous"), problems):
            continue
        names = table.get("between")
        if (
            not isinstance(names, list)
            or not all(isinstance(name, str) for name in names)
            or not 2 <= len(names) == len(set(names))
        ):
            problems.error(
                (*path, "between"), f'{shown(names)} is no list of different names; write ["a", "b"]'
            )
            continue
        strange = [name for name in names if name not in known]
        if strange:
            # A quantity with an error of its own draws no second one here.
            if strange[0] not in stated:
                problems.error(
                    (*path, "between"), f"no quantity {shown(strange[0])}{nearest(strange[0], known)}"
                )
            continue
        try:
            pairs.update(_pairs(table, [known[name] for name in names]))
        except ParameterError as error:
            problems.error((*path, error.key), error.message)
    return pairs


def _pairs(table: Mapping[str, Any], entries: Sequence[Input]) -> dict[tuple[str, str], float]:
    """Return the coefficients of all pairs of one entry."""
    if table.get("simultaneous") is True and "coefficient" not in table:
        found = {}
        for a, b in combinations(entries, 2):
            if not isinstance(a.distribution, Readings) or not isinstance(b.distribution, Readings):
                raise ParameterError(
                    "simultaneous", "only quantities given by readings; else state a coefficient"
                )
            found[a.name, b.name] = a.distribution.correlation(b.distribution)
        return found
    if "coefficient" not in table or "simultaneous" in table:
        raise ParameterError("coefficient", "give either coefficient, or simultaneous = true for readings")
    coefficient = bare_number("coefficient", table["coefficient"])
    if not -1.0 <= coefficient <= 1.0:
        raise ParameterError("coefficient", f"{coefficient:g} is out of range; allowed: -1 to 1")
    return {(a.name, b.name): coefficient for a, b in combinations(entries, 2)}


def _read_measurements(
    document: Mapping[str, Any], problems: Problems, units: Mapping[str, StatedUnit]
) -> list[_Result]:
    # Of quantities with errors the dimension is not known; no second error for what uses them.
    broken = [name for name in _stated(document) if name not in units]
    dimensions: dict[str, Dimension] = {name: unit.dimension for name, unit in units.items()}
    results: list[_Result] = []
    tables = _tables(document, problems, "measurement")
    if not tables:
        problems.error(("measurement",), "missing: write [[measurement]] with name, expression and unit")
    for index, table in enumerate(tables):
        path = ("measurement", index)
        if not _known_keys(table, path, ("name", "expression", "unit", "meaning"), problems):
            continue
        name, text = table.get("name"), table.get("expression")
        if not _good_name(name, (*path, "name"), problems):
            continue
        if name in dimensions:
            problems.error((*path, "name"), f"{shown(name)} is the name of another quantity or measurement")
            continue
        if not isinstance(text, str):
            problems.error((*path, "expression"), f"{shown(text)} is no expression; write it in quotes")
            continue
        try:
            program = parse(text, [*dimensions, *broken])
            if any(step.name in broken for step in program):
                continue
            result = _result(table, text, program, dimensions)
            dimensions[str(name)] = si_unit(result.output.unit)[0]
            results.append(result)
        except ExpressionError as error:
            problems.error((*path, "expression"), f"{shown(text)}: {error}")
        except (UnitError, ParameterError) as error:
            problems.error((*path, "unit"), getattr(error, "message", str(error)))
    return results


def _result(
    table: Mapping[str, Any], text: str, program: tuple[Instruction, ...], dimensions: Mapping[str, Dimension]
) -> _Result:
    unit, found = table.get("unit", "1"), check_expression(program, dimensions)
    if not isinstance(unit, str):
        raise ParameterError("unit", f'{shown(unit)} is no unit; write e.g. "N m"')
    dimension, factor = si_unit(unit)
    if dimension != found:
        raise ParameterError("unit", f"{shown(unit)} does not fit: the expression is {describe(found)}")
    return _Result(
        Output(str(table["name"]), unit, str(table.get("meaning", ""))), text, program, float(factor)
    )


def _warn(problems: Problems, inputs: Sequence[Input], results: Sequence[_Result]) -> None:
    used = {step.name for result in results for step in result.program}
    for entry in inputs:
        if entry.name not in used:
            problems.warn(("quantity", entry.name), "no measurement uses it")
    turning = {entry.name for entry in inputs if re.search(r"\b(rev|rpm)\b", entry.unit)}
    for index, result in enumerate(results):
        names = sorted(turning & {step.name for step in result.program})
        if names and re.search(r"\bpi\b", result.text):
            problems.warn(
                ("measurement", index, "expression"),
                f"{names[0]} is in rev, which is 2*pi already, and the expression has pi as well; give it as "
                "a plain number of turns, or leave pi out",
            )
