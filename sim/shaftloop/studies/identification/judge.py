"""Whether a log contradicts the bench that was fitted to it, and what it cannot tell apart.

A model that holds leaves nothing that can be told from what was played and simulated: the white residual of
the fitted part is regressed on late, squared and signed copies of those, and judged on the part that was kept
out. It also leaves no more there than where it was fitted. What passes is "not contradicted", never proved.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.studies.identification.fit import Fit
from shaftloop.studies.identification.noise import MATTERS, STILL, rests
from shaftloop.studies.identification.problem import Estimate, Known

__all__ = ["Combination", "Judgement", "fit_share", "judge", "untold"]

Array = NDArray[np.float64]

_LATE = (0, 1, 2, 4, 8, 16, 32, 64)
"""Samples by which the copies are late."""
_TOLD = 0.02
"""Most of the variance of a white residual that may be told."""
_MIRRORED = -0.7
"""Correlation at which a column is taken for turned around."""
_MORE = 1.3
"""Most that may be left where nothing was fitted over where it was."""
_POOR = 0.5
"""Least fit where nothing was fitted."""
_TIED = 0.9
"""Correlation from which two values are told together better than alone."""
_WEAK = 0.3
"""Spread of θ from which a parameter is not known alone."""
_SIDES = 1.959964


@dataclass(frozen=True)
class Combination:
    """What of some parameters the log does tell."""

    paths: tuple[str, ...]
    words: str
    """How they are combined."""
    value: float | None
    """Nothing where the combination is one of powers."""
    unit: str
    spread: float
    """Relative standard deviation. [1]"""


@dataclass(frozen=True)
class Judgement:
    """What is to be thought of a fit."""

    shares: tuple[float, ...]
    """Fit of every compared column where nothing was fitted, 1 is perfect. [1]"""
    told: tuple[float, ...]
    """Share of its white residual there that could be told from what was played and simulated. [1]"""
    more: tuple[float, ...]
    """White residual there over that where it was fitted. [1]"""
    still: tuple[bool, ...]
    """Whether nothing moves there, so that a fit says nothing."""
    against: tuple[str, ...]
    """Why the bench is contradicted; empty where it is not."""
    unknown: tuple[Estimate, ...]
    """Parameters that the log does not tell alone."""
    combinations: tuple[Combination, ...]
    """What it tells better than each of them alone."""


def fit_share(measured: Array, shown: Array) -> float:
    """Return one minus what is left over what moves [1].

    Parameters
    ----------
    measured, shown : ndarray, shape (rows,)
        Any unit, the same for both.
    """
    moves = float(np.linalg.norm(measured - measured.mean()))
    left = float(np.linalg.norm(measured - shown))
    return 1.0 - left / moves if moves > 0.0 else (1.0 if left == 0.0 else -np.inf)


def judge(fit: Fit, names: Sequence[str], played: Sequence[Sequence[Array]]) -> Judgement:
    """Judge a fit.

    Parameters
    ----------
    fit : Fit
        From `estimate`.
    names : sequence of str
        Of the compared columns.
    played : sequence of sequence of ndarray
        Per compared column: what was played, at its instants.
    """
    shares, told, more, still, against = [], [], [], [], []
    for i, name in enumerate(names):
        inside = fit.fitted[i]
        outside = ~inside if (~inside).sum() > 10 else inside
        against += _misread(name, fit.measured[i][inside], fit.before[i][inside])
        share = fit_share(fit.measured[i][outside], fit.after[i][outside])
        white = fit.white[i]
        known = white != 0.0
        here, there = white[inside & known], white[outside & known]
        ratio = _size(there) / _size(here) if len(there) > 10 and _size(here) > 0.0 else 1.0
        part = _told(white, inside & known, outside & known, [*played[i], fit.after[i]])
        shares.append(share)
        told.append(part)
        more.append(ratio)
        at_rest = rests(fit.measured[i][outside], fit.after[i][outside])
        still.append(at_rest or bool(np.std(fit.measured[i][outside]) < STILL * fit.noise[i]))
        matters = 1.0 - share > MATTERS and not at_rest
        if matters and part > _TOLD:
            against.append(
                f"{100.0 * part:.0f} % of what is left of {name} follows what was played: something acts "
                "that the scenario lacks"
            )
        if matters and ratio > _MORE:
            against.append(f"{name} is left {ratio:.2g} times as far off where nothing was fitted")
        if share < _POOR and not still[-1]:
            against.append(
                f"the bench explains {name} only to {100.0 * share:.0f} % where nothing was fitted"
            )
    return Judgement(tuple(shares), tuple(told), tuple(more), tuple(still), tuple(against), *untold(fit))


def _misread(name: str, measured: Array, before: Array) -> list[str]:
    """Return how a log seems to be misread, beside the bench as it was stated."""
    said = []
    if np.std(measured) > 0.0 and np.std(before) > 0.0:
        alike = float(np.corrcoef(measured, before)[0, 1])
        if alike < _MIRRORED:
            said.append(
                f"{name} mirrors the bench as stated (correlation {alike:.2f}): turn its sign, or that of "
                "the column that plays"
            )
    if 0.0 < 2.0 * np.ptp(measured) < abs(measured[0]) and abs(before[0]) < 0.01 * abs(measured[0]):
        said.append(
            f"{name} begins in the middle of a run, the bench at rest: state a `lead`, for which what is "
            "played is held before, e.g. 1 s"
        )
    return said


def untold(known: Known) -> tuple[tuple[Estimate, ...], tuple[Combination, ...]]:
    """Return the parameters that a log does not tell alone, and what it tells better together.

    Parameters
    ----------
    known : Known
        Of a log, or of one that is planned.
    """
    unknown = tuple(entry for entry in known.estimates if not entry.spread < _WEAK)
    return unknown, _combinations(known, unknown)


def _size(values: Array) -> float:
    """Return a size that single outliers do not move."""
    return float(np.sqrt(np.mean(np.clip(values, -5.0, 5.0) ** 2))) if len(values) else 0.0


def _told(
    white: Array, inside: NDArray[np.bool_], outside: NDArray[np.bool_], signals: Sequence[Array]
) -> float:
    """Return the share of a residual, where nothing was fitted, that signals tell."""
    if inside.sum() < 200 or outside.sum() < 50:
        return 0.0
    columns = []
    for signal in signals:
        size = float(np.std(signal))
        if size == 0.0:
            continue
        level = (signal - signal.mean()) / size
        change = np.diff(level, prepend=level[0])
        change /= max(float(np.std(change)), 1e-300)
        for values in (level, level * np.abs(level), change, np.tanh(5.0 * level)):
            columns += [_late(values, lag) for lag in _LATE]
    if not columns:
        return 0.0
    most = int(inside.sum() // 20)
    terms = np.column_stack(columns[:: max(1, -(-len(columns) // most))])
    clipped = np.clip(white, -5.0, 5.0)
    ones = np.ones((len(white), 1))
    terms = np.hstack((ones, terms))
    gram = terms[inside].T @ terms[inside]
    gram += 1e-6 * np.trace(gram) / len(gram) * np.eye(len(gram))
    found = np.linalg.solve(gram, terms[inside].T @ clipped[inside])
    rest = clipped[outside] - terms[outside] @ found
    still = clipped[outside]
    return float(1.0 - np.sum(rest**2) / np.sum(still**2)) if np.any(still) else 0.0


def _late(values: Array, lag: int) -> Array:
    return np.concatenate((np.full(lag, values[0]), values[: len(values) - lag]))


def _combinations(fit: Known, unknown: Sequence[Estimate]) -> tuple[Combination, ...]:
    """Return what the log tells of the parameters that it does not, or hardly, tell alone."""
    size = np.sqrt(np.diag(fit.covariance))
    with np.errstate(invalid="ignore"):
        tied = np.abs(fit.covariance / np.outer(size, size)) > _TIED
    index = [
        i
        for i, entry in enumerate(fit.estimates)
        if fit.information[i, i] > 0.0 and (any(entry is other for other in unknown) or tied[i].sum() > 1)
    ]
    if len(index) < 2:
        return ()
    others = [i for i in range(len(fit.estimates)) if i not in index]
    block = fit.information[np.ix_(index, index)]
    if others:
        cross = fit.information[np.ix_(index, others)]
        block = block - cross @ np.linalg.pinv(fit.information[np.ix_(others, others)]) @ cross.T
    spreads = fit.covariance[np.ix_(index, index)]
    found = []
    for vector in np.linalg.eigh(block)[1].T[::-1]:
        weights = np.array(vector)
        total = float(np.sum(np.abs(weights)))
        spread = float(np.sqrt(max(vector @ spreads @ vector, 0.0))) / total
        chosen = [k for k in range(len(index)) if abs(weights[k]) > 0.05 * np.max(np.abs(weights))]
        alone = min(fit.estimates[index[k]].spread for k in chosen)
        if spread > min(_WEAK, 0.5 * alone) or len(chosen) < 2:
            continue
        found.append(_named([fit.estimates[index[k]] for k in chosen], weights[chosen] / total, spread))
    return tuple(found)


def _named(entries: Sequence[Estimate], weights: Array, spread: float) -> Combination:
    """Return a combination by the name that its weights give it."""
    paths = tuple(entry.free.path for entry in entries)
    values = np.array([entry.value for entry in entries])
    units = {entry.free.unit for entry in entries}
    weights = weights * np.sign(weights[np.argmax(np.abs(weights))])
    scaled = all(entry.free.kind == "scaled" for entry in entries)
    if scaled and len(units) == 1 and np.all(weights > 0.0):
        unit = units.pop()
        for words, parts, value in (
            ("in series", (1.0 / values) / np.sum(1.0 / values), 1.0 / np.sum(1.0 / values)),
            ("as their sum", values / np.sum(values), np.sum(values)),
        ):
            if float(parts @ weights / np.linalg.norm(parts) / np.linalg.norm(weights)) > 0.98:
                return Combination(paths, words, float(value), unit, spread)
    terms = " · ".join(f"{path}^{weight:.2g}" for path, weight in zip(paths, weights, strict=True))
    return Combination(paths, f"as {terms}", None, "", spread)
