"""A tuning on the terminal."""

import math
from collections.abc import Iterator, Mapping

from shaftloop.answers.tuning import TuneAnswer
from shaftloop.control.parameters import UNIT_OF
from shaftloop.report.check.words import verdict_words
from shaftloop.report.glossary import defined
from shaftloop.report.quantities import show
from shaftloop.report.terminal import Piece, add_row, new_table
from shaftloop.report.tune.forms import gain_forms, shape_text
from shaftloop.report.tune.verdict import area
from shaftloop.studies.tuning.modetrack import TrackedMode
from shaftloop.studies.tuning.proof import Proof
from shaftloop.studies.tuning.results import Baseline, Design, LoopTuning, Option

__all__ = ["details"]

_NOTE = "Exact for small motions at the operating point, by the functions of the margins command."


def details(results: TuneAnswer) -> Iterator[Piece]:
    """Yield the tables and lines that say what was found."""
    for verdict in results.tuning.broken:
        yield f"  does not hold: {verdict_words(verdict)}"
    for entry in results.tuning.loops.values():
        yield from _tell_gains(results, entry)
        yield from _tell_figures(results, entry)
        if len(entry.options) > 1:
            yield from _tell_options(entry)
        yield from _tell_baselines(entry)
        if entry.proof is not None:
            yield from _tell_proof(entry.proof)
    if len(results.tuning.loops) > 1:
        yield f"loops tuned in turn, {results.tuning.sweeps} sweeps until their gains stayed"
    yield defined("Ms", "Mt", "noise gain")
    yield _NOTE


def _design(entry: LoopTuning) -> Design:
    assert entry.chosen.design is not None, "the chosen option has a design"
    return entry.chosen.design


def _tell_gains(results: TuneAnswer, entry: LoopTuning) -> Iterator[Piece]:
    design = _design(entry)
    state = "" if entry.feasible else " - BOUNDS NOT KEPT"
    title = f"{results.scenario.description.title}: loop {entry.name}, {entry.chosen.title}{state}"
    table = new_table(title, "gain", "value", "")
    for form in gain_forms(results.tuning.description, design.loop):
        value = "none" if form.value is None else f"{form.value:.5g} {'' if form.unit == '1' else form.unit}"
        if form.unit == "s" and form.value is not None:
            value = show(form.value, "s", 5)
        add_row(table, form.name.replace("_", " "), value.strip(), form.meaning)
    shape = shape_text(design.loop)
    if shape:
        add_row(table, "besides", "", shape)
    yield table
    if entry.nearest:
        yield entry.nearest
    for way in entry.ways:
        yield f"  {way}"


def _tell_figures(results: TuneAnswer, entry: LoopTuning) -> Iterator[Piece]:
    designs = [("before", entry.before), ("tuned", _design(entry))]
    columns = [(name, dict(_rows(design))) for name, design in designs if design is not None]
    corners = len(results.tuning.corners)
    scope = "nominal" if corners == 1 else f"Ms, Mt, noise gain and modes: the worst of {corners} corners"
    table = new_table(f"Loop {entry.name}: {scope}", "", *(name for name, _ in columns))
    for label in dict.fromkeys(label for _, column in columns for label in column):
        add_row(table, label, *(column.get(label, "-") for _, column in columns))
    yield table
    if entry.before is None:
        yield f"before: {_why_not(results, entry.name)}"
    for line in entry.binding:
        yield f"binding: {line}"
    if entry.feasible and not entry.binding:
        yield "binding: no bound; the objective has its optimum inside"


def _rows(design: Design) -> list[tuple[str, str]]:
    margins, worst = design.analysis.margins, design.figures
    step = design.step
    rows = [
        ("kp", f"{design.loop.kp.value:.5g}"),
        ("ki", f"{design.loop.ki.value:.5g}"),
        ("Ms", f"{worst.ms.value:.4f} at {worst.ms.frequency:.4g} Hz{_corner(worst.ms.label)}"),
        ("Mt", f"{worst.mt.value:.4f} at {worst.mt.frequency:.4g} Hz{_corner(worst.mt.label)}"),
        ("gain margin, nominal", "none" if margins.gain_margin is None else f"x {margins.gain_margin:.3f}"),
        ("phase margin, nominal", "none" if margins.phase_margin is None else f"{margins.phase_margin:.1f}°"),
        ("bandwidth, nominal", _hertz(margins.bandwidth)),
        ("disturbances halved up to", _hertz(margins.rejection)),
        (f"|error| after 1 {design.loop.unit} on the command", area(design)),
        ("noise gain to the command", f"{worst.noise_gain:.4g}"),
        ("noise on the command, rms", _noise(worst.command_noise, design.loop.unit)),
        (
            "small step settles in",
            show(step.settling_time, "s", 3) if step.settling_time else "does not settle",
        ),
        ("its overshoot", "-" if step.overshoot is None else f"{step.overshoot:.1f} %"),
    ]
    # Free modes are those of the worst corner, of which each design has its own: only the number is shared.
    rows += [(f"damping of shaft mode {number}", _mode(mode)) for number, mode in enumerate(worst.modes, 1)]
    return rows


def _noise(channels: Mapping[str, float], unit: str) -> str:
    """Return the noise on the command with what each channel gives of it."""
    total = show(math.hypot(*channels.values()), unit, 3)
    parts = [f"{name} {show(size, unit, 3)}" for name, size in channels.items() if size]
    return total + (f"\n{', '.join(parts)}" if len(parts) > 1 else "")


def _mode(mode: TrackedMode) -> str:
    free = f"free: {mode.free_damping:.4f} at {mode.free_frequency:.4g} Hz"
    return f"{mode.damping:.4f} at {mode.frequency:.4g} Hz{_corner(mode.corner)}\n{free}"


def _corner(label: str) -> str:
    """Return the corner that a figure is of on a line of its own: side by side two columns must fit."""
    return "" if label == "nominal" else "\n" + label.replace(", ", ",\n")


def _tell_options(entry: LoopTuning) -> Iterator[Piece]:
    table = new_table(
        f"Loop {entry.name}: structures under the same bounds; * the simplest within 10 % of the best that "
        "breaks no expectation",
        *("structure", "cost", "bandwidth", "settles in", "Ms", "noise gain", "kp", "ki"),
    )
    notes = []
    best = min((option.cost for option in entry.options), default=1.0)
    plain = next((option.cost for option in entry.options if option.name == "pi"), float("nan"))
    for option in entry.options:
        mark = "* " if option is entry.chosen else "  "
        if option.design is None:
            add_row(table, mark + option.title, "-", "", "", "", "", "", "")
            notes.append((option.title, option.reason))
            continue
        design = option.design
        settling = design.step.settling_time
        add_row(
            table,
            mark + option.title,
            f"{option.cost / best:.2f} x",
            _hertz(design.analysis.margins.bandwidth),
            show(settling, "s", 3) if settling else "-",
            f"{design.figures.ms.value:.3f}",
            f"{design.figures.noise_gain:.3g}",
            f"{design.loop.kp.value:.4g}",
            f"{design.loop.ki.value:.4g}",
        )
        notes.append((option.title, shape_text(design.loop) or _nothing_found(option, plain)))
        notes += [(option.title, f"do not use: {verdict_words(verdict)}") for verdict in option.broken]
        notes.append((option.title, option.caution and f"careful gains, {option.caution}"))
    yield table
    for title, note in notes:
        if note:
            yield f"  {title}: {note}"


def _nothing_found(option: Option, plain: float) -> str:
    """Return words for a structure whose best controller turned out to be the bare PI."""
    useless = option.name not in ("kept", "pi") and option.cost == plain
    return "brings nothing: no better than PI" if useless else ""


def _tell_baselines(entry: LoopTuning) -> Iterator[Piece]:
    table = new_table(
        f"Loop {entry.name}: rules of the trade, and the largest ki at the rule's own Ms and Mt",
        *("rule", "kp", "ki", "Ms", "Mt", "keeps the bounds", "optimum / rule"),
    )
    for item in entry.baselines:
        add_row(table, *_baseline(item))
    yield table
    for item in entry.baselines:
        if item.reason:
            yield f"  {item.rule}: {'' if item.loop else 'does not apply: '}{item.reason}"


def _baseline(item: Baseline) -> tuple[str, ...]:
    if item.loop is None or item.figures is None:
        return (item.rule, "-", "-", "-", "-", "-", "-")
    gains = (f"{item.loop.kp.value:.4g}", f"{item.loop.ki.value:.4g}")
    if not item.figures.stable:
        return (item.rule, *gains, "UNSTABLE", "", "no", "-")
    peaks = (f"{item.figures.ms.value:.3f}", f"{item.figures.mt.value:.3f}")
    factor = "-" if item.factor is None else f"x {item.factor:.3f}"
    return (item.rule, *gains, *peaks, "yes" if item.admitted else "no", factor)


def _tell_proof(proof: Proof) -> Iterator[Piece]:
    experiment = proof.experiment
    unit = UNIT_OF[experiment.quantity]
    title = (
        f"Loop {experiment.loop}: predicted (linear) against simulated (full bench), a step of the set-point "
        f"by {show(experiment.step, unit, 3)}, then {show(experiment.torque, experiment.unit, 3)} on the "
        "command"
    )
    table = new_table(title, "figure", "predicted", "simulated", "difference above 10 %")
    for row in proof.rows:
        values = [
            "not reached"
            if value is None
            else f"{value:.1f} %"
            if row.unit == "%"
            else show(value, row.unit, 3)
            for value in (row.predicted, row.simulated)
        ]
        add_row(table, row.name, *values, row.explanation)
    yield table
    if proof.shortened:
        yield f"  the step is smaller than the sequence has it: {proof.shortened}"


def _why_not(results: TuneAnswer, name: str) -> str:
    """Return why a loop has no figures with the gains of the scenario."""
    loop = next(loop for loop in results.scenario.description.loop if loop.name == name)
    if loop.ki.value == 0.0:
        return "the loop has ki 0, and what is tuned integrates; margins shows it as it stands"
    return "the bench is unstable with the gains of the scenario"


def _hertz(value: float | None) -> str:
    return "none" if value is None else f"{value:.4g} Hz"
