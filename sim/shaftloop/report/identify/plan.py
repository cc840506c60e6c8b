"""An experiment to record: verdict, document, picture."""

import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from shaftloop.answers.experiment import BLIND, PlanAnswer
from shaftloop.figures import number
from shaftloop.report.canvas import COLOURS, MACHINE_COLOURS, Picture, over, thinned
from shaftloop.report.documents import identity, origin
from shaftloop.report.identify.fit import combined
from shaftloop.report.quantities import show
from shaftloop.report.terminal import Piece, add_row, new_table
from shaftloop.studies.identification.plan import LONGEST, Trial

__all__ = ["FILE", "details", "document", "pictures", "verdict"]

FILE = "plan.json"

_WORDS = {
    "multisine": "a multisine",
    "chirp": "a sweep",
    "steps": "random steps",
    "coast_down": "run-up and coast-down",
}


def verdict(answer: PlanAnswer) -> list[str]:
    """Return what to record and what it will tell, in a few sentences."""
    best, within = answer.plan.best, answer.plan.demand.within
    what = f"{show(best.experiment.length, 's', 3)} of {_WORDS[best.experiment.kind]}"
    tells = ", ".join(
        f"{entry.free.path} ± {_percent(width)}"
        for entry, width in zip(best.wanted, best.widths(), strict=True)
        if width < 1.0
    )
    short = [entry.free.path for entry in answer.plan.short]
    if short:
        said = [
            f"No experiment makes {', '.join(short)} sure to ± {_percent(within)}; the best is {what}, which "
            f"tells {tells or 'nothing'} (95 %, predicted)."
        ]
    else:
        said = [f"Record {what}: it tells {tells} (95 %, predicted)."]
    said += [_separate(answer)] if answer.unknown or answer.combinations else []
    return [*said, _kept(best)]


def _separate(answer: PlanAnswer) -> str:
    """Return what cannot be told apart, and what to do."""
    found = "; ".join(combined(combination) for combination in answer.combinations)
    if not answer.unknown:
        return f"Better told together than each alone: {found}."
    paths = ", ".join(entry.free.path for entry in answer.unknown)
    only = f", only {found}" if found else ""
    blind = all(not np.isfinite(entry.spread) for entry in answer.unknown)
    fix = (
        "log what depends on it, or measure it otherwise"
        if blind
        else "state what is known beforehand, PATH=VALUE ± TOLERANCE, or log one more place"
    )
    return f"It will not tell {paths} alone{only}: {fix}."


def _kept(best: Trial) -> str:
    """Return what a run of the experiment asks of the bench."""
    bounds = [
        (load.share(bound), load, bound)
        for load in best.loads
        for bound in (load.rated if load.rated is not None else load.limit,)
        if bound is not None
    ]
    said = "In a run of it on the full bench nothing trips, stays at a clamp or passes a rating"
    if not bounds:
        return f"{said}; no part states one, so state ratings before you rely on that."
    _, load, bound = max(bounds, key=lambda entry: entry[0])
    return (
        f"{said}; nearest comes the {load.quantity.replace('_', ' ')} of {load.part} with "
        f"{show(load.peak, load.unit, 3)} of {show(bound, load.unit, 3)}."
    )


def document(answer: PlanAnswer) -> dict[str, Any]:
    """Return the JSON document."""
    best, demand = answer.plan.best, answer.plan.demand
    return {
        "scenario": identity(answer.scenario),
        "provenance": origin(answer.scenario),
        "sure_enough": not answer.plan.short,
        "within": number(demand.within, "1"),
        "experiment": best.experiment.kind,
        "share_of_the_operating_point": number(best.experiment.share, "1"),
        "length": number(best.experiment.length, "s"),
        "length_of_the_run": number(best.stage.length, "s"),
        "sequence": best.stage.steps,
        "parameters": [
            {
                "path": entry.free.path,
                "value": number(entry.value, entry.free.unit),
                "standard_deviation": number(entry.deviation, entry.free.unit, BLIND),
                "within": number(width, "1", BLIND),
            }
            for entry, width in zip(best.wanted, best.widths(), strict=True)
        ],
        "not_told_alone": [entry.free.path for entry in answer.unknown],
        "combinations": [combined(combination) for combination in answer.combinations],
        "logged": [
            {
                "channel": noise.channel,
                "noise": number(noise.deviation, noise.unit),
                "stated": noise.stated,
            }
            for noise in best.noises
        ],
        "loads": [load.document() for load in best.loads],
        "kinds": {
            trial.experiment.kind: {
                "refused": list(trial.refused),
                "share_of_the_operating_point": number(trial.experiment.share, "1"),
                "length": number(trial.experiment.length, "s"),
                "within": {
                    entry.free.path: number(width, "1", BLIND)
                    for entry, width in zip(trial.wanted, trial.widths(), strict=True)
                },
            }
            for trial in answer.plan.trials
        },
        "warnings": list(answer.warnings),
    }


def details(answer: PlanAnswer) -> Iterator[Piece]:
    """Yield what every kind of experiment would tell, what is logged, and how to go on."""
    trials = answer.plan.trials
    names = [
        f"{trial.experiment.kind}, {trial.experiment.length:g} s, {100.0 * trial.experiment.share:.0f} %"
        for trial in trials
    ]
    title = "Half of the 95 % intervals, predicted; share of the operating point that is asked for"
    table = new_table(title, "path", *names)
    for i, entry in enumerate(answer.plan.best.wanted):
        add_row(
            table,
            entry.free.path,
            *("refused" if t.refused else _width(t.widths()[i]) for t in trials),
        )
    yield table
    for trial in trials:
        for reason in trial.refused[:1]:
            yield f"{trial.experiment.kind}: {reason}"
    logged = ", ".join(
        f"{noise.channel} (noise {show(noise.deviation, noise.unit, 2)})" for noise in answer.plan.best.noises
    )
    yield f"To be logged, with a clock of its own: {logged}."
    if answer.plan.short and answer.plan.demand.length is None:
        yield f"Looked at up to {LONGEST:g} s of excitation; a quieter log helps more than a longer one."
    paths = [*(entry.free.path for entry in answer.plan.best.wanted), "log.clock"]
    free = " ".join(f"`free` {path}" for path in paths)
    yield f"Then: shaftloop identify {answer.scenario.name}-plan.toml LOG {free}"


def pictures(answer: PlanAnswer) -> list[Picture]:
    """Return the experiment over time, and what each kind would tell."""
    plan = answer.plan

    def paint(figure: Any) -> None:
        shown = [noise for noise in plan.best.noises if noise.channel in _drawn(plan.best)]
        axes = figure.subplots(len(shown) + 1, 1, height_ratios=[1.0] * len(shown) + [1.2])
        for axis, noise in zip(axes, shown, strict=False):
            factor, unit = (30.0 / math.pi, "rpm") if noise.unit == "rad/s" else (1.0, noise.unit)
            assert plan.best.time is not None and plan.best.columns is not None, "it was run"
            values = factor * plan.best.columns[noise.channel]
            axis.plot(*thinned(plan.best.time, values), color=COLOURS["now"], linewidth=0.8)
            axis.set_ylabel(f"{noise.channel}\n[{unit}]", parse_math=False)
            axis.set_xlim(0.0, plan.best.stage.length)
        axes[len(shown) - 1].set_xlabel("time [s]")
        _bars(axes[-1], answer)

    title, shows = verdict(answer)[0], "What the log would show, and what each kind of experiment would tell"
    return [Picture("plan", title, shows, answer.title, (10.5, 8.5), paint, caution=answer.cautions[0])]


def _drawn(best: Trial) -> list[str]:
    """Return the channels that are drawn: one of each unit, first comes first."""
    found: dict[str, str] = {}
    for noise in best.noises:
        found.setdefault(noise.unit, noise.channel)
    return list(found.values())[:3]


def _bars(axis: Any, answer: PlanAnswer) -> None:
    """Draw the widths of every kind that may be recommended."""
    trials = [trial for trial in answer.plan.trials if not trial.refused]
    count, wide = len(answer.plan.best.wanted), 0.8 / len(trials)
    for number_, trial in enumerate(trials):
        widths = [100.0 * min(width, 10.0) for width in trial.widths()]
        axis.bar(
            np.arange(count) + (number_ - 0.5 * (len(trials) - 1)) * wide,
            widths,
            0.9 * wide,
            color=MACHINE_COLOURS[number_ % len(MACHINE_COLOURS)],
            label=f"{trial.experiment.kind}, {trial.experiment.length:g} s",
        )
    within = 100.0 * answer.plan.demand.within
    axis.axhline(within, color=COLOURS["quiet"], linestyle="--", linewidth=1.0, label="sure enough")
    axis.set(yscale="log", xticks=np.arange(count), ylabel="half of the\n95 % interval [%]")
    axis.set_xticklabels([entry.free.path for entry in answer.plan.best.wanted], fontsize=9.0)
    over(axis, len(trials) + 1)


def _width(width: float) -> str:
    return f"± {_percent(width)}" if width < 1.0 else "not told"


def _percent(width: float) -> str:
    return f"{100.0 * width:.2g} %"
