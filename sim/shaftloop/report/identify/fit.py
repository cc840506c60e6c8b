"""A bench fitted to a log: verdict, document, files."""

from collections.abc import Iterator
from typing import Any

import numpy as np

from shaftloop.answers.identify import FitAnswer
from shaftloop.figures import number
from shaftloop.report.canvas import Picture
from shaftloop.report.documents import identity, origin, text
from shaftloop.report.logs import SIDES, clock_text, log_document, tell_log
from shaftloop.report.quantities import readable, show
from shaftloop.report.terminal import Piece, add_row, new_table
from shaftloop.studies.identification.changes import Change
from shaftloop.studies.identification.judge import Combination
from shaftloop.studies.identification.problem import Estimate

__all__ = ["FILE", "combined", "details", "document", "pictures", "verdict"]

FILE = "fit.json"

_MOST = 4
_RESTS = "nothing moves in the part that was kept out"


def verdict(answer: FitAnswer) -> list[str]:
    """Return what the log says of the bench, in two or three sentences."""
    judgement, against = answer.judgement, answer.against
    known = [e for e in answer.fit.estimates if not any(e is u for u in judgement.unknown)]
    named = ", ".join(f"{e.free.path} {_with_interval(e)}" for e in known[:_MOST])
    more = f" and {len(known) - _MOST} more" if len(known) > _MOST else ""
    found = f"{named}{more}" if known else "none of the free parameters alone"
    if against:
        said = [
            f"The log contradicts the bench: {against[0]}.",
            f"Found under that reservation: {found}; do not rely on it, and free or add what acts.",
        ]
    else:
        said = [f"The log does not contradict the bench, with {found}.", _kept_out(answer)]
    if answer.earlier is not None:
        said.insert(0, _since(answer))
    if judgement.unknown:
        paths = ", ".join(e.free.path for e in judgement.unknown)
        told = "; ".join(combined(c) for c in judgement.combinations)
        only = f", only {told}" if told else ""
        said.append(
            f"The log does not tell {paths} alone{only}: state what is known beforehand, "
            "PATH=VALUE ± TOLERANCE."
        )
    elif judgement.combinations:
        told = "; ".join(combined(c) for c in judgement.combinations)
        said.append(f"Better told than each alone: {told}.")
    return said


def _since(answer: FitAnswer) -> str:
    """Return whether the bench is still the one of an earlier date."""
    earlier, changed = answer.earlier, answer.changed
    assert earlier is not None, "only then is it asked"
    reserved = " One of the two logs contradicts the bench, so do not rely on it."
    doubt = reserved if earlier.contradicted or answer.against else ""
    if changed:
        named = ", ".join(
            f"{c.path} by {_relative(c.difference, c)} ± {_relative(c.seen, c).lstrip('+')}" for c in changed
        )
        more = (
            "nothing else beyond its uncertainty"
            if len(changed) < len(answer.changes)
            else "that is all that was compared"
        )
        return f"Since {text(earlier.label)} the bench has changed: {named}; {more}.{doubt}"
    seen = ", ".join(f"{_relative(c.seen, c).lstrip('+')} of {c.path}" for c in answer.changes)
    label = text(earlier.label)
    return f"The bench is still the one of {label}: a change by {seen} would have been seen.{doubt}"


def _relative(value: float, change: Change) -> str:
    """Return a change as a share of the earlier value, as a quantity where that is 0."""
    if change.before == 0.0:
        return show(value, change.unit, 2)
    return f"{100.0 * value / abs(change.before):+.2g} %"


def _kept_out(answer: FitAnswer) -> str:
    """Return what the part that was kept out says."""
    judgement = answer.judgement
    moving = [i for i, still in enumerate(judgement.still) if not still]
    if not moving:
        return "Nothing moves in the part that was kept out: it proves little. Hold out more, or cut the log."
    worst = min(moving, key=lambda i: judgement.shares[i])
    others = ", the other channels better." if len(moving) > 1 else "."
    share = f"{100.0 * judgement.shares[worst]:.1f} %"
    return f"Where nothing was fitted it explains {answer.names[worst]} to {share}{others}"


def document(answer: FitAnswer) -> dict[str, Any]:
    """Return the JSON document."""
    judgement, fit = answer.judgement, answer.fit
    shares = [None if s else share for s, share in zip(judgement.still, judgement.shares, strict=True)]
    columns = zip(answer.names, shares, judgement.told, judgement.more, fit.noise, strict=True)
    return {
        "scenario": identity(answer.scenario),
        "provenance": origin(answer.scenario),
        "contradicted": bool(answer.against),
        "against": list(answer.against),
        "parameters": [_parameter(entry) for entry in fit.estimates],
        "not_told_alone": [entry.free.path for entry in judgement.unknown],
        "combinations": [
            {
                "paths": list(c.paths),
                "combined": c.words,
                "value": number(c.value, c.unit, "a product of powers"),
                "relative_standard_deviation": number(c.spread, "1"),
            }
            for c in judgement.combinations
        ],
        "correlation": _correlation(fit.covariance),
        "channels": {
            name: {
                "fit": number(share, "1", _RESTS),
                "told_of_the_residual": number(told, "1"),
                "residual_over_that_of_the_fitted_part": number(more, "1"),
                "residual": number(noise, entry.unit),
            }
            for (name, share, told, more, noise), entry in zip(columns, answer.replay.compared, strict=True)
        },
        "orders_taken_out": [
            {
                "order": order.order,
                "of": text(order.of),
                "found": order.found,
                "fast": order.fast,
                "amplitudes": {
                    name: number(size, entry.unit)
                    for name, size, entry in zip(
                        answer.names, order.amplitudes, answer.replay.compared, strict=True
                    )
                },
            }
            for order in fit.orders
        ],
        "other_runs": {
            text(run.label): {name: number(share, "1") for name, share in run.shares.items()}
            for run in answer.judged
        },
        "since": None if answer.earlier is None else _since_document(answer),
        "runs": fit.runs,
        "logs": [log_document(m.table.log, m.table.columns, m.findings) for m in answer.measurements],
        "clocks": {
            text(label): {
                "offset": number(clock.offset, "s"),
                "offset_standard_deviation": number(clock.offset_spread, "s"),
                "drift": number(clock.drift, "1"),
                "drift_standard_deviation": number(clock.drift_spread, "1"),
            }
            for label, clock in answer.replay.clocks.items()
        },
        "warnings": list(answer.warnings),
    }


def _since_document(answer: FitAnswer) -> dict[str, Any]:
    assert answer.earlier is not None, "only then is it asked"
    return {
        "earlier": text(answer.earlier.label),
        "earlier_contradicted": answer.earlier.contradicted,
        "changed": [change.path for change in answer.changed],
        "values": {
            change.path: {
                "before": number(change.before, change.unit),
                "after": number(change.after, change.unit),
                "difference": number(change.difference, change.unit),
                "would_be_seen": number(change.seen, change.unit),
            }
            for change in answer.changes
        },
    }


def details(answer: FitAnswer) -> Iterator[Piece]:
    """Yield the tables and lines that say what was found."""
    table = new_table("Free parameters with 95 % intervals", "path", "start", "value", "interval", "spread")
    for entry in answer.fit.estimates:
        low, high = entry.interval
        unit = entry.free.unit
        known = np.isfinite(low) and np.isfinite(high)
        spread = f"{100.0 * entry.deviation / abs(entry.value):.2g} %" if known and entry.value else "-"
        add_row(
            table,
            entry.free.path,
            show(entry.free.start, unit),
            _rounded(entry.value, unit, _digits(entry)),
            _between(low, high, unit, _digits(entry)) if known else "not told",
            spread,
        )
    yield table
    channels = new_table(
        "What is compared; fit where nothing was fitted",
        "channel",
        "fit",
        "residual",
        "of it told",
        "against inside",
    )
    judgement = answer.judgement
    for i, compared in enumerate(answer.replay.compared):
        add_row(
            channels,
            answer.names[i],
            "rests there" if judgement.still[i] else f"{100.0 * judgement.shares[i]:.1f} %",
            show(answer.fit.noise[i], compared.unit, 3),
            f"{100.0 * max(judgement.told[i], 0.0):.1f} %",
            f"x {judgement.more[i]:.2f}",
        )
    yield channels
    if answer.earlier is not None:
        since = new_table(
            f"Since {text(answer.earlier.label)}",
            "path",
            "before",
            "after",
            "difference",
            "would be seen",
            "",
        )
        for change in answer.changes:
            add_row(
                since,
                change.path,
                show(change.before, change.unit, 5),
                show(change.after, change.unit, 5),
                _relative(change.difference, change),
                _relative(change.seen, change).lstrip("+"),
                "changed" if change.changed else "",
            )
        yield since
    for reason in answer.against:
        yield f"against: {reason}"
    for run in answer.judged:
        shares = ", ".join(f"{name} {100.0 * share:.0f} %" for name, share in run.shares.items())
        yield f"with these values in {run.label}: {shares}"
    for measurement in answer.measurements:
        yield from tell_log(measurement.table.log, measurement.table.columns, measurement.findings)
    for label, clock in answer.replay.clocks.items():
        yield clock_text(f"clock of {label}", clock)
    if answer.replay.left_out:
        yield f"no channel of the bench, left out: {', '.join(answer.replay.left_out)}"
    yield f"{answer.fit.runs} runs of the bench; noise and rounding are off in them."


def pictures(answer: FitAnswer) -> list[Picture]:
    """Return the pictures of what was found."""
    from shaftloop.report.identify.overlaid import fit_picture
    from shaftloop.report.identify.responded import responded_picture

    title = verdict(answer)[0]
    responded = responded_picture(answer, title)
    return [fit_picture(answer, title), *([] if responded is None else [responded])]


def _parameter(entry: Estimate) -> dict[str, Any]:
    unit, blind = entry.free.unit, "nothing that was logged depends on it"
    low, high = entry.interval
    return {
        "path": entry.free.path,
        "start": number(entry.free.start, unit),
        "value": number(entry.value if np.isfinite(entry.spread) else None, unit, blind),
        "standard_deviation": number(entry.deviation if np.isfinite(entry.spread) else None, unit, blind),
        "low": number(low if np.isfinite(low) else None, unit, blind),
        "high": number(high if np.isfinite(high) else None, unit, blind),
        "prior_standard_deviation_of_theta": number(entry.free.prior, "1", "nothing known beforehand"),
    }


def _correlation(covariance: np.ndarray) -> list[list[float | None]]:
    size = np.sqrt(np.diag(covariance))
    with np.errstate(invalid="ignore"):
        found = covariance / np.outer(size, size)
    return [[round(float(x), 3) if np.isfinite(x) else None for x in row] for row in found]


def _digits(entry: Estimate) -> int:
    """Return the digits that a spread leaves."""
    if not 0.0 < entry.deviation < abs(entry.value):
        return 3
    return min(max(2 + int(np.log10(abs(entry.value) / entry.deviation)), 2), 6)


def _with_interval(entry: Estimate) -> str:
    low, high = entry.interval
    digits = _digits(entry)
    return (
        f"{_rounded(entry.value, entry.free.unit, digits)} ({_between(low, high, entry.free.unit, digits)})"
    )


def _between(low: float, high: float, unit: str, digits: int) -> str:
    """Return an interval, its unit once where both ends have the same."""
    one, other = _rounded(low, unit, digits), _rounded(high, unit, digits)
    name = readable(low, unit)[1]
    if name == readable(high, unit)[1] and name and one.endswith(f" {name}"):
        one = one.removesuffix(f" {name}")
    return f"{one} to {other}"


def _rounded(value: float, unit: str, digits: int) -> str:
    """Return a quantity with no more digits than its spread leaves, before the point either."""
    return show(float(f"{value:.{digits}g}"), unit, digits)


def combined(combination: Combination) -> str:
    """Return what a log tells of some parameters together, in words."""
    spread = f"± {100.0 * SIDES * combination.spread:.2g} %"
    if combination.value is None:
        return f"{combination.words} {spread}"
    paths = " and ".join(combination.paths)
    return f"{paths} {combination.words}: {show(combination.value, combination.unit)} {spread}"
