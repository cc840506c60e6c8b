"""Uncertainty budgets, Monte Carlo results and verdicts as parts of a JSON document."""

import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from shaftloop.analysis.uncertainty.evaluation import Evaluation, StatedResult
from shaftloop.analysis.uncertainty.montecarlo import MonteCarlo, SampledResult
from shaftloop.analysis.uncertainty.propagation import Budget, Contribution
from shaftloop.analysis.uncertainty.validation import IntervalVerdict
from shaftloop.figures import number

__all__ = ["evaluation_document"]

_INFINITE = "infinite: no part of it is an estimate from few readings"


def evaluation_document(found: Evaluation, unmeasured: Mapping[str, str] | None = None) -> dict[str, Any]:
    """Return budget, Monte Carlo and verdict of every result, and their correlations.

    Parameters
    ----------
    unmeasured : mapping of str to str, optional
        Results whose uncertainty nothing tells, with the reason.
    """
    names = [result.name for result in found.sampled.results]
    propagation, coverage = found.propagation, found.sampled.coverage
    alone = "Monte Carlo alone was asked for" if propagation is None else None
    why = unmeasured or {}
    budgets = propagation.budgets if propagation else [_without(s, coverage) for s in found.sampled.results]
    verdicts = found.verdicts or [None] * len(names)
    rows = zip(budgets, verdicts, found.stated, found.sampled.results, strict=True)
    return {
        "results": {
            budget.name: _budget(budget, why.get(budget.name) or alone)
            | {"stated": _stated(stated, budget.unit, why.get(budget.name))}
            | {"monte_carlo": _sampled(sampled, why.get(budget.name))}
            | {"first_order": None if verdict is None or budget.name in why else _verdict(verdict)}
            for budget, verdict, stated, sampled in rows
        },
        "monte_carlo": _run(found.sampled),
        "correlation": {
            "results": names,
            "first_order": None if propagation is None else np.round(propagation.correlation, 6).tolist(),
            "monte_carlo": np.round(found.sampled.correlation, 6).tolist(),
        },
    }


def _stated(stated: StatedResult, unit: str, reason: str | None) -> dict[str, Any]:
    known = _unless(reason)
    return {
        "by": stated.by,
        "value": number(stated.value, unit),
        "low": known(stated.low, unit),
        "high": known(stated.high, unit),
        "expanded_uncertainty": known(stated.expanded, unit),
        "relative_expanded_uncertainty": known(stated.relative, "1", "the value is zero"),
        "coverage_factor": known(stated.factor, "1", "the standard uncertainty is 0 or infinite"),
    }


def _unless(reason: str | None) -> Callable[..., dict[str, Any]]:
    """Return what makes a number of a document, without a value where there is a reason."""

    def known(value: float | None, unit: str, otherwise: str = "") -> dict[str, Any]:
        return number(None if reason else value, unit, reason or otherwise)

    return known


def _budget(budget: Budget, reason: str | None) -> dict[str, Any]:
    """Return what the budget says; with a reason why there is none, no uncertainties."""
    known = _unless(reason)
    return {
        "value": budget.value,
        "unit": budget.unit,
        "meaning": budget.meaning,
        "standard_uncertainty": known(budget.uncertainty, budget.unit),
        "degrees_of_freedom": known(budget.dof, "1", _INFINITE),
        "coverage": budget.coverage,
        "coverage_factor": None if reason else budget.factor,
        "expanded_uncertainty": known(budget.expanded, budget.unit),
        "relative_expanded_uncertainty": known(budget.relative, "1", "the value is zero"),
        "second_order_standard_uncertainty": known(
            budget.second_order, budget.unit, "the inputs are correlated"
        ),
        "contributions": [_contribution(row, budget.unit) for row in budget.contributions],
    }


def _without(sampled: SampledResult, coverage: float) -> Budget:
    """Return what stands in place of a budget where Monte Carlo alone was asked for."""
    none = math.nan
    figures = (sampled.mean, none, none, coverage, none, none, none)
    return Budget(sampled.name, sampled.unit, *figures, (), sampled.meaning)


def _contribution(row: Contribution, unit: str) -> dict[str, Any]:
    return {
        "quantity": row.name,
        "meaning": row.meaning,
        "estimate": number(row.estimate, row.unit),
        "distribution": row.distribution,
        "standard_uncertainty": number(row.uncertainty, row.unit),
        "degrees_of_freedom": number(row.dof, "1", _INFINITE),
        "sensitivity": number(row.sensitivity, f"({unit})/({row.unit})"),
        "contribution": number(row.contribution, unit),
        "share_of_variance": row.share,
    }


def _sampled(result: SampledResult, unmeasured: str | None) -> dict[str, Any]:
    labels = ("mean", "standard_uncertainty", "low", "high")
    values = (result.mean, result.uncertainty, result.low, result.high)
    errors = result.errors or (None,) * 4
    reason = "fewer than two blocks of trials"
    return {
        label: number(None if unmeasured else value, result.unit, unmeasured)
        | {"sampling_error": number(None if unmeasured else error, result.unit, unmeasured or reason)}
        for label, value, error in zip(labels, values, errors, strict=True)
    }


def _verdict(verdict: IntervalVerdict) -> dict[str, Any]:
    return {
        "valid": verdict.valid,
        "beyond_sampling_error": verdict.settled,
        "low_end_differs": number(verdict.low, verdict.unit),
        "high_end_differs": number(verdict.high, verdict.unit),
        "tolerance": number(verdict.tolerance, verdict.unit),
    }


def _run(sampled: MonteCarlo) -> dict[str, Any]:
    return {
        "trials": sampled.trials,
        "stable": sampled.stable,
        "coverage": sampled.coverage,
        "interval": sampled.interval,
        "seed": sampled.seed,
    }
