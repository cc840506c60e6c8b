"""The margins of loops on the terminal."""

import math
from collections.abc import Iterator

from shaftloop.analysis.budget import LatencyBudget
from shaftloop.analysis.delay import DelayMargin, PathMargin
from shaftloop.analysis.margins import Margins
from shaftloop.analysis.operating import OperatingPoint
from shaftloop.analysis.worstcase import MapPoint, Worst
from shaftloop.answers.margins import LoopAnswer, MarginsAnswer
from shaftloop.report.glossary import defined
from shaftloop.report.margins.joint import tell_joint
from shaftloop.report.quantities import show
from shaftloop.report.terminal import Piece, add_row, new_table
from shaftloop.studies.vary import Variation
from shaftloop.words import value_words

__all__ = ["details"]

_NOTE = (
    "Exact for small motions at the operating point, sampling and latencies included; clamps, quantiser and "
    "noise are switched off. All other loops are closed."
)
_WITHOUT_LOOP = (
    "Exact for small motions at this point, sampling included. There are no margins without a loop."
)
_MOST_CROSSINGS = 6
_MOST_POLES = 8


def details(results: MarginsAnswer) -> Iterator[Piece]:
    """Yield the tables and lines that say what was found."""
    loops = results.loops
    if results.loopless is not None:
        yield from _tell_poles(results, results.loopless.point)
        return
    point = next(iter(loops.values())).margins.point
    title = f"{results.title}: at {show(point.speed, 'rad/s')} and {show(point.torque, 'N m')}"
    table = new_table(title, "", *(f"loop {name}" for name in loops))
    columns = [dict(_rows(result)) for result in loops.values()]
    for label in columns[0]:
        add_row(table, label, *(column[label] for column in columns))
    yield table
    if results.joint is not None and results.joint.stable:
        yield from tell_joint(results.joint)
    if any(result.at for result in loops.values()):
        yield _at_frequencies(results)
    for name, result in loops.items():
        if result.budget is not None:
            yield from _tell_budget(result.budget)
        else:
            yield f"Loop {name} has no latency budget: {result.budget_reason}."
    if results.points:
        yield from _tell_map(results)
    if results.corners:
        yield from _tell_corners(results)
    if results.variation is not None:
        yield from _tell_variation(results.variation)
    yield defined("Ms", "Mt", "noise gain")
    yield _NOTE


def _tell_corners(results: MarginsAnswer) -> Iterator[Piece]:
    """Yield the worst corner of the tolerances; of a loop that is unstable at one the answer tells."""
    count = len(results.corners)
    for name in results.loops:
        if not all(corner.margins[name].stable for corner in results.corners):
            continue
        worst = max(results.corners, key=lambda corner: corner.margins[name].ms)
        least = min(
            (c for c in results.corners if c.margins[name].phase_margin is not None),
            key=lambda corner: corner.margins[name].phase_margin or 0.0,
            default=None,
        )
        said = f"{name} at {count} corners of the tolerances: Ms at most {worst.margins[name].ms:.4g}"
        said += f" ({worst.label})"
        if least is not None:
            angle = f"{least.margins[name].phase_margin or 0.0:.4g}°"
            said += f", phase margin at least {angle} ({least.label})"
        yield said


def _at_frequencies(results: MarginsAnswer) -> Piece:
    table = new_table(
        "Sines: true quantity per set-point, and what is left of a disturbance",
        *("loop", "frequency", "amplitude", "phase", "of 1 % left"),
    )
    for name, result in results.loops.items():
        for entry in result.at:
            cells = f"{entry.amplitude:.4g}", f"{entry.phase:.4g}°", f"{entry.left:.3g} %"
            add_row(table, name, _hertz(entry.frequency), *cells)
    return table


def _tell_poles(results: MarginsAnswer, point: OperatingPoint) -> Iterator[Piece]:
    """Yield the poles of a bench without a loop, the slowest to fade first."""
    title = f"{results.title}: at {show(point.speed, 'rad/s')}"
    table = new_table(title, "frequency", "fades to 1/e in", "damping")
    for pole in results.poles[:_MOST_POLES]:
        place = pole.folded if pole.frequency is None else pole.frequency
        size = math.hypot(pole.rate, 2.0 * math.pi * place)
        fades = "GROWS" if pole.rate <= 0.0 else show(1.0 / pole.rate, "s", 3)
        add_row(table, _hertz(place or None), fades, f"{100.0 * pole.rate / size:.3g} %")
    yield table
    if len(results.poles) > _MOST_POLES:
        yield f"and {len(results.poles) - _MOST_POLES} that fade faster"
    yield _WITHOUT_LOOP


def _stiffest(result: LoopAnswer) -> str:
    if result.stiffest is None:
        return "none: unstable as it is" if not result.margins.stable else "beyond 1000 times kp"
    return f"{show(result.stiffest, 'N m/rad', 4)}: beyond it, latency uses up the damping"


def _rows(result: LoopAnswer) -> list[tuple[str, str]]:
    """Return the rows of a loop: what, value in words."""
    margins, step = result.margins, result.step
    state = "stable" if margins.stable else "UNSTABLE: margins of an unstable loop"
    if margins.system.free:
        state += "\nnothing holds the speed"
    settles = step.settling_time is not None and step.overshoot is not None
    rows = [
        ("stability", state),
        ("largest eigenvalue", f"{margins.largest_eigenvalue:.6f}\n{_slowest(margins)}"),
        ("worse by 5 % elsewhere", _elsewhere(result)),
        ("gain margin, up", _factor(margins.gain_margin)),
        ("gain margin, down", _factor(margins.gain_margin_down)),
        ("phase margin", _phase(margins)),
        ("delay margin", _delay(result.delay)),
        *([("stiffest spring", _stiffest(result))] if result.springs else []),
        ("Ms (peak sensitivity)", f"{margins.ms:.3f} at {_hertz(margins.ms_frequency)}"),
        ("worst amplification, images", _images(margins)),
        ("Mt (peak of |T|)", f"{margins.mt:.3f} at {_hertz(margins.mt_frequency)}"),
        ("crossover", _hertz(margins.crossover)),
        ("all crossings", _crossings(margins)),
        ("bandwidth, -3 dB", _hertz(margins.bandwidth)),
        ("disturbances halved up to", _hertz(margins.rejection)),
        ("noise gain", f"{margins.noise_gain:.3f}"),
        ("small step settles in", show(step.settling_time or 0.0, "s", 3) if settles else "does not settle"),
        ("its overshoot", f"{step.overshoot:.1f} %" if settles else "-"),
        ("hyperperiod", f"{show(margins.hyperperiod, 's', 3)}, {margins.ticks} tick(s) of the loop"),
    ]
    if result.analysis.phases:
        phases = ", ".join(f"{name} {show(float(t), 's', 6)}" for name, t in result.analysis.phases.items())
        rows.append(("worst phases", phases))
    return rows


def _tell_budget(budget: LatencyBudget) -> Iterator[Piece]:
    title = (
        f"Loop {budget.loop}: where the phase at {_hertz(budget.frequency)} goes, {budget.phase:.1f}° in all"
    )
    table = new_table(title, "cause", "phase", "as a delay", "if ideal: crossover", "Ms", "phase margin")
    for share in budget.shares:
        cells = ["", "", ""]
        if share.ideal is not None:
            ideal = share.ideal
            cells = [_hertz(ideal.crossover), f"{ideal.ms:.3f}", _phase(ideal)]
        phase = round(share.phase, 2) + 0.0
        # What shows no phase shows no delay either: rounding leaves 3e-12 s.
        add_row(table, share.cause, f"{phase:.2f}°", show(share.delay if phase else 0.0, "s", 3), *cells)
    yield table


def _slowest(margins: Margins) -> str:
    """Return how long the slowest motion of the bench takes to decay."""
    rate = -math.log(max(margins.largest_eigenvalue, 1e-300)) / margins.hyperperiod
    return f"slowest decay {show(1.0 / rate, 's', 3)}" if rate > 0.0 else "grows"


def _elsewhere(result: LoopAnswer) -> str:
    """Return what is worse at another operating point than here, and where."""
    texts = []
    for worst in result.elsewhere:
        assert worst.point is not None, "what is worse is so at a point"
        what = "UNSTABLE" if worst.figure == "stable" else f"{worst.figure.replace('_', ' ')} {_worst(worst)}"
        texts.append(f"{what} at {' and '.join(_where(worst.point))}")
    return "\n".join(texts) or "-"


def _tell_map(results: MarginsAnswer) -> Iterator[Piece]:
    held = [point for point in results.points if point.margins]
    title = f"Worst over the operating range, {len(held)} of {len(results.points)} points"
    table = new_table(title, "loop", "figure", "worst", "at speed", "and torque")
    for name, result in results.loops.items():
        unstable = [point for point in held if not point.margins[name].stable]
        if unstable:
            add_row(table, name, "stability", "UNSTABLE", *_where(unstable[0]))
        for worst in result.worst:
            where = _where(worst.point) if worst.point else ("", "")
            add_row(table, name, worst.figure.replace("_", " "), _worst(worst), *where)
    yield table
    for point in results.points:
        if point.reason:
            yield f"left out: {point.reason}"


def _tell_variation(variation: Variation) -> Iterator[Piece]:
    unit = variation.range.unit
    table = new_table(
        f"Against the {value_words(variation.range.path)}",
        "loop",
        "demand",
        "kept up to or from",
        "broken at",
    )
    for name, thresholds in variation.thresholds.items():
        for found in thresholds:
            demand = found.demand.replace("ms<", "Ms < ")
            add_row(
                table, name, demand, f"{found.kept:.6g} {unit}".strip(), f"{found.broken:.6g} {unit}".strip()
            )
        if not thresholds:
            add_row(table, name, "none changes in this range", "", "")
    yield table
    for value, reason in variation.left_out:
        yield f"left out: {value:.6g} {unit}: {reason}"


def _where(point: MapPoint) -> tuple[str, str]:
    return show(point.speed, "rad/s"), show(point.torque, "N m")


def _worst(worst: Worst) -> str:
    if worst.value is None:
        return "none"
    return f"{worst.value:.1f}°" if worst.figure == "phase_margin" else f"{worst.value:.3f}"


def _factor(value: float | None) -> str:
    return "none" if value is None else f"x {show(value, '')} ({20.0 * math.log10(value):+.1f} dB)"


def _hertz(value: float | None) -> str:
    return "none" if value is None else f"{value:#.4g} Hz".replace(". ", " ")


def _phase(margins: Margins) -> str:
    if margins.phase_margin is None:
        return "none"
    return f"{margins.phase_margin:.1f}°{' against a lead' if margins.against_lead else ''}"


def _delay(delay: DelayMargin) -> str:
    (where, smaller), (other, larger) = delay.smaller_first()
    if smaller.value is None and smaller.reason == larger.reason:
        return f"none: {smaller.reason}"
    return f"{_path(smaller)} at the {where}\n{_path(larger)} at the {other}"


def _path(margin: PathMargin) -> str:
    return f"none ({margin.reason})" if margin.value is None else show(margin.value, "s", 4)


def _images(margins: Margins) -> str:
    if margins.ticks == 1:
        return "as Ms: one tick"
    return f"{margins.worst_amplification:.3f} at {_hertz(margins.worst_amplification_frequency)}"


def _crossings(margins: Margins) -> str:
    texts = [
        f"{_hertz(c.frequency)} {f'{c.value:.1f}°' if c.kind == 'gain' else 'x ' + show(c.value, '', 3)}"
        for c in margins.crossings
    ]
    more = [f"and {len(texts) - _MOST_CROSSINGS} more"] if len(texts) > _MOST_CROSSINGS else []
    return "\n".join([*texts[:_MOST_CROSSINGS], *more]) or "none"
