"""The response that logs show: verdict, document, files."""

from collections.abc import Iterator
from typing import Any

import numpy as np

from shaftloop.analysis.logs.clocks import Clock
from shaftloop.analysis.logs.resonances import Mode
from shaftloop.answers.identify import ResponseAnswer
from shaftloop.figures import number
from shaftloop.report.canvas import Picture
from shaftloop.report.documents import text, tool_version
from shaftloop.report.files import Outputs, write_text
from shaftloop.report.logs import SIDES, clock_text, log_document, tell_log
from shaftloop.report.quantities import show
from shaftloop.report.terminal import Piece, add_row, new_table
from shaftloop.scenario.ratios import order_text

__all__ = ["FILE", "details", "document", "pictures", "verdict", "write_more"]

FILE = "response.json"

_COHERENT = 0.8
_TOO_MUCH = 2.0
"""What a linear response may leave over the noise before it is objected to."""


def verdict(answer: ResponseAnswer) -> list[str]:
    """Return what the logs show, in two or three sentences."""
    found = answer.found
    pair = f"from {text(found.demand.source)} to {text(found.demand.output)}"
    modes = found.resonances.modes if found.resonances else ()
    if modes:
        named = ", ".join(f"{_frequency(mode)} with damping {_damping(mode)}" for mode in modes)
        said = [f"The response {pair} shows {_count(len(modes), 'resonance')}: {named}."]
    else:
        said = [f"The response {pair} shows no resonance."]
    if found.dead_time is not None:
        dead = found.dead_time
        said.append(
            f"The dead time is {_count(dead.samples, 'sample')} ({dead.low} to {dead.high}), "
            f"{show(dead.samples * found.period, 's')}."
        )
    said.append(_trust(answer))
    return said


def _trust(answer: ResponseAnswer) -> str:
    """Return how far the response can be relied on, and what to do."""
    response, resonances = answer.found.response, answer.found.resonances
    good = response.frequency[response.coherence > _COHERENT]
    share = len(good) / max(int(np.sum(response.frequency <= good[-1])), 1) if len(good) else 0.0
    if resonances is None:
        return (
            "Nothing is coherent, so there is no response to speak of: excite more strongly or for longer, "
            "or name the known command by `instrument`."
        )
    if resonances.excess > _TOO_MUCH:
        return (
            f"A linear response is contradicted: it leaves {np.sqrt(resonances.excess):.2g} times the noise; "
            "excite less or around one operating point."
        )
    if len(good) == 0:
        return f"The coherence is below {_COHERENT:g} everywhere: the band is wide, excite more strongly."
    return (
        f"{100.0 * share:.0f} % of the lines up to {good[-1]:.3g} Hz are coherent above {_COHERENT:g}; "
        "a linear response is not contradicted."
    )


def document(answer: ResponseAnswer) -> dict[str, Any]:
    """Return the JSON document."""
    found, demand = answer.found, answer.found.demand
    resonances = found.resonances
    return {
        "tool": "shaftloop",
        "version": tool_version(),
        "from": demand.source,
        "to": demand.output,
        "instrument": demand.reference,
        "orders_taken_out": list(demand.orders),
        "unit": found.unit,
        "method": found.response.method,
        "period": number(found.period, "s"),
        "samples": found.used,
        "bridged_samples": found.bridged,
        "blocks": found.response.blocks,
        "logs": [
            log_document(part.log, part.columns, part.findings) | _clock(part.clock) for part in found.parts
        ],
        "order": resonances.order if resonances else None,
        "left_over_noise": number(resonances.excess if resonances else None, "1", "nothing is coherent"),
        "figures": {name: figure.document() for name, figure in answer.figures.items()},
        "warnings": list(answer.warnings),
    }


def details(answer: ResponseAnswer) -> Iterator[Piece]:
    """Yield the tables and lines that say what was found."""
    found = answer.found
    modes = found.resonances.modes if found.resonances else ()
    if modes:
        table = new_table(
            "Resonances with 95 % intervals", "mode", "frequency", "interval", "damping", "interval "
        )
        for i, mode in enumerate(modes, 1):
            frequency = mode.interval("frequency")
            add_row(
                table,
                str(i),
                f"{mode.frequency:.5g} Hz",
                f"{frequency[0]:.5g} to {frequency[1]:.5g} Hz",
                *_damping(mode).rstrip(")").split(" (", 1),
            )
        yield table
    record = found.response.samples * found.period
    yield f"Estimated from {found.used} samples: {found.response.method}."
    if found.demand.orders:
        orders = ", ".join(map(order_text, found.demand.orders))
        yield f"Taken out by the angle of {text(str(found.demand.speed))}: order {orders}."
    yield f"Below {2.0 / record:.3g} Hz the record holds fewer than two periods: no mode is told there."
    if found.bridged:
        yield f"{_count(found.bridged, 'missing sample')} bridged by a straight line."
    for part in found.parts:
        yield from tell_log(part.log, part.columns, part.findings)
        if part.clock is not None:
            yield clock_text("its clock", part.clock)


def pictures(answer: ResponseAnswer) -> list[Picture]:
    """Return the pictures of what was found."""
    from shaftloop.report.identify.curve import response_picture

    return [response_picture(answer.found, verdict(answer)[0], answer.title)]


def write_more(out: Outputs, answer: ResponseAnswer) -> None:
    """Write the response as a table."""
    response = answer.found.response
    rows = zip(
        response.frequency.tolist(),
        np.abs(response.value).tolist(),
        np.degrees(np.angle(response.value)).tolist(),
        np.sqrt(response.variance).tolist(),
        response.coherence.tolist(),
        strict=True,
    )
    unit = answer.found.unit.replace(",", " ").replace('"', " ")
    head = f"frequency [Hz],gain [{unit}],phase [deg],standard deviation [{unit}],coherence [1]\n"
    write_text(out.file("response.csv"), head + "".join(",".join(map(repr, row)) + "\n" for row in rows))


def _clock(clock: Clock | None) -> dict[str, Any]:
    if clock is None:
        return {}
    return {
        "clock": {
            "offset": number(clock.offset, "s"),
            "offset_standard_deviation": number(clock.offset_spread, "s"),
            "drift": number(clock.drift, "1"),
            "drift_standard_deviation": number(clock.drift_spread, "1"),
            "at": number(clock.middle, "s"),
        }
    }


def _frequency(mode: Mode) -> str:
    return f"{mode.frequency:.4g} Hz (± {SIDES * mode.frequency_spread:.1g})"


def _damping(mode: Mode) -> str:
    low, high = (f"{max(end, 0.0):.{_digits(mode)}g}" for end in mode.interval("damping"))
    return f"{mode.damping:.{_digits(mode)}g} ({low} to {high})"


def _digits(mode: Mode) -> int:
    """Return the digits of a damping that its spread leaves."""
    if not 0.0 < mode.damping_spread < mode.damping:
        return 2
    return min(2 + int(np.log10(mode.damping / mode.damping_spread)), 5)


def _count(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"
