"""What the margins say in short: which loops are stable, and what would help them most."""

from collections.abc import Iterator

from shaftloop.answers.margins import MarginsAnswer
from shaftloop.report.judgement import Judgement
from shaftloop.report.margins.verdict import LIVELY, WORTH

__all__ = ["advice", "judgements"]


def judgements(answer: MarginsAnswer) -> Iterator[Judgement]:
    """Yield whether every loop is stable."""
    for name, found in answer.loops.items():
        stable = found.margins.stable
        yield Judgement("stability", stable, f"loop {name} is {'stable' if stable else 'unstable'}")


def advice(answer: MarginsAnswer) -> Iterator[str]:
    """Yield what in the signal path of a lively loop is most worth mending."""
    for name, found in answer.loops.items():
        now, shares = found.margins, () if found.budget is None else found.budget.shares
        ideal = [
            (share.cause, share.ideal) for share in shares if share.ideal is not None and share.ideal.stable
        ]
        if not now.stable or now.ms <= LIVELY or not ideal:
            continue
        cause, best = min(ideal, key=lambda pair: pair[1].ms)
        if best.ms > WORTH * now.ms:
            continue
        text = (
            f"Loop {name} is lively and gains most from a faster {cause}: were that ideal, Ms would be "
            f"{best.ms:.2f} instead of {now.ms:.2f}"
        )
        if best.phase_margin is not None and now.phase_margin is not None:
            text += f" and the phase margin {best.phase_margin:.0f}° instead of {now.phase_margin:.0f}°"
        yield f"{text}."
