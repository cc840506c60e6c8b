"""Uncertainty budgets, Monte Carlo results and verdicts as parts of a JSON document."""

from typing import Any

import numpy as np

from shaftloop.analysis.uncertainty.evaluation import Evaluation
from shaftloop.analysis.uncertainty.montecarlo import MonteCarlo, Sampled
from shaftloop.analysis.uncertainty.propagation import Budget, Contribution
from shaftloop.analysis.uncertainty.validation import Verdict
from shaftloop.figures import number

__all__ = ["evaluation_document"]

_INFINITE = "infinite: no part of it is an estimate from few readings"


def evaluation_document(found: Evaluation) -> dict[str, Any]:
    """Return budget, Monte Carlo and verdict of every result, and their correlations.

    Parameters
    ----------
    found : Evaluation
        Of a measurement.
    """
    names = [budget.name for budget in found.propagation.budgets]
    return {
        "results": {
            budget.name: _budget(budget)
            | {"monte_carlo": _sampled(sampled), "first_order": _verdict(verdict)}
            for budget, sampled, verdict in zip(
                found.propagation.budgets, found.sampled.results, found.verdicts, strict=True
            )
        },
        "monte_carlo": _run(found.sampled),
        "correlation": {
            "results": names,
            "first_order": np.round(found.propagation.correlation, 6).tolist(),
            "monte_carlo": np.round(found.sampled.correlation, 6).tolist(),
        },
    }


def _budget(budget: Budget) -> dict[str, Any]:
    return {
        "value": budget.value,
        "unit": budget.unit,
        "meaning": budget.meaning,
        "standard_uncertainty": number(budget.uncertainty, budget.unit),
        "degrees_of_freedom": number(budget.dof, "1", _INFINITE),
        "coverage": budget.coverage,
        "coverage_factor": budget.factor,
        "expanded_uncertainty": number(budget.expanded, budget.unit),
        "relative_expanded_uncertainty": number(budget.relative, "1", "the value is zero"),
        "second_order_standard_uncertainty": number(
            budget.second_order, budget.unit, "the inputs are correlated"
        ),
        "contributions": [_contribution(row, budget.unit) for row in budget.contributions],
    }


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


def _sampled(result: Sampled) -> dict[str, Any]:
    labels = ("mean", "standard_uncertainty", "low", "high")
    values = (result.mean, result.uncertainty, result.low, result.high)
    errors = result.errors or (None,) * 4
    reason = "fewer than two blocks of trials"
    return {
        label: number(value, result.unit) | {"sampling_error": number(error, result.unit, reason)}
        for label, value, error in zip(labels, values, errors, strict=True)
    }


def _verdict(verdict: Verdict) -> dict[str, Any]:
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
