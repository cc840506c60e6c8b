"""What `shaftloop fidelity` found, on the terminal."""

import cmath
import math
from collections.abc import Iterator

from shaftloop.analysis.fidelity.aliasing import Aliasing, FoldedOrder
from shaftloop.analysis.fidelity.bands import LEVELS, Band
from shaftloop.analysis.fidelity.correction import Correction
from shaftloop.analysis.fidelity.encoder import EncoderFigures
from shaftloop.analysis.fidelity.misalignment import CouplingError
from shaftloop.analysis.fidelity.transfer import Fidelity
from shaftloop.answers.fidelity import FidelityAnswer
from shaftloop.report.quantities import show
from shaftloop.report.terminal import Piece, add_row, new_table
from shaftloop.scenario.ratios import order_text

__all__ = ["advice", "details"]

_NOTE = (
    "From the air gap: commands of the loops held, relative to the share of a slow torque; to the reading: "
    "relative to slow torques. Exact for small motions at the operating point."
)
_PARTS = {"mechanical": "air gap to sensor", "signal": "sensor to reading", "total": "air gap to reading"}


def details(results: FidelityAnswer) -> Iterator[Piece]:
    """Yield the tables and lines that say what was found."""
    found = results.found
    yield from _tell_bands(found, results.title)
    if results.at:
        yield _at_frequencies(results)
    yield from _tell_reading(found)
    yield from _tell_correction(results.correction)
    yield from _tell_aliasing(results.aliasing)
    for crooked in results.misalignment:
        yield from _tell_misalignment(crooked)
    for entry in results.encoders:
        yield from _tell_encoder(entry)
    yield _NOTE


def _tell_bands(found: Fidelity, title: str) -> Iterator[Piece]:
    where = f"{show(found.point.speed, 'rad/s')} and {show(found.point.torque, 'N m')}"
    table = new_table(f"{title}: at {where}", "true to within", *(f"±{level}" for level in LEVELS))
    for part, bands in found.bands.items():
        add_row(table, _PARTS[part], *(_band(band) for band in bands))
    yield table


def _at_frequencies(results: FidelityAnswer) -> Piece:
    table = new_table("Sines: amplitude and phase", "frequency", *_PARTS.values(), "1 % reads as")
    for entry in results.at:
        parts = (
            f"{abs(z):.4g}, {math.degrees(cmath.phase(z)):.3g}°" for z in (entry.mechanical, entry.signal)
        )
        total = f"{entry.amplitude:.4g}, {entry.phase:.3g}°"
        add_row(table, f"{entry.frequency:.6g} Hz", *parts, total, f"{entry.amplitude:.4g} %")
    return table


def _tell_reading(found: Fidelity) -> Iterator[Piece]:
    table = new_table(f"Sensor {found.sensor.name}, unit under test {found.unit}", "figure", "value", "")
    noise = found.noise
    rows = [
        (
            "share of a slow torque",
            show(found.share, "1"),
            f"commands held: the rest accelerates {found.unit} and what it carries",
        ),
        (
            "static error",
            show(found.static_error, "N m"),
            "gain, zero and nonlinearity at the operating torque",
        ),
        ("noise, rms", show(noise.analogue, "N m", 3), "behind the low-pass"),
        (
            "rounding, rms",
            show(noise.quantiser, "N m", 3),
            f"quantiser step {show(noise.quantiser_step, 'N m', 3)}",
        ),
        ("rise time", show(found.rise_time, "s", 3), _rule(found)),
        ("delay", show(found.delay, "s", 3), "of slow torques: low-pass and latency"),
    ]
    rows += [
        (
            f"pulse shown within {100.0 * error:g} %",
            "none" if width is None else show(width, "s", 3),
            "shortest half-sine, sampled at the worst phase",
        )
        for error, width in found.pulse_widths.items()
    ]
    for row in rows:
        add_row(table, *row)
    yield table


def _tell_correction(entry: Correction) -> Iterator[Piece]:
    table = new_table("Between air gap and measuring section", "figure", "value", "")
    add_row(
        table, "inertia", f"{entry.inertia:.4g} kg m²", f"{entry.inertia_behind_flange:.3g} behind the flange"
    )
    add_row(
        table,
        "bias by inertia",
        show(entry.inertia_bias, "N m"),
        f"in the steepest speed ramp of the sequence, {entry.acceleration:.4g} rad/s²",
    )
    add_row(
        table,
        "bias by drag",
        show(0.0 - entry.drag, "N m"),
        f"{show(0.0 - entry.drag_behind_flange, 'N m', 3)} of it behind the flange",
    )
    if entry.residual is None or entry.window is None or entry.window_noise is None:
        add_row(table, "after correction", "-", "no encoder turns with the sensor")
    else:
        edges = show(entry.window_noise, "N m", 3)
        what = f"{entry.encoder} over {show(entry.window, 's', 3)}: {edges} rms of edges"
        share = f"{100.0 * entry.inertia_error:g} % of the inertia: {show(entry.inertia_residual, 'N m', 3)}"
        add_row(table, "after correction", show(entry.residual, "N m"), f"{what}, {share}")
        shortest = show(entry.single_period_noise or 0.0, "N m", 3)
        add_row(table, "", shortest, "rms of edges with a window of one period")
        add_row(table, "", show(entry.mismatch or 0.0, "s", 3), "acceleration later than the reading")
    yield table


def _tell_aliasing(found: Aliasing) -> Iterator[Piece]:
    band = "no torque loop" if found.band is None else f"torque loop up to {show(found.band, 'Hz', 3)}"
    title, places = f"Ripple in the reading; {band}", ("frequency", "true torque", "reading", "received")
    table = new_table(title, "order", *places, "source")
    for entry in found.orders:
        add_row(
            table,
            order_text(entry.ripple.order),
            show(entry.frequency, "Hz"),
            _sized(entry, entry.true),
            _lines(entry, received=False),
            _lines(entry, received=True),
            entry.ripple.source,
        )
    yield table
    if all(entry.ripple.amplitude is None for entry in found.orders):
        yield "no order has a stated amplitude: give one with `ripple` to see what keeps it out"
    else:
        yield _remedy(found)


def advice(results: FidelityAnswer) -> Iterator[str]:
    """Yield what keeps known ripple from folding into the reading, where it does."""
    if results.aliasing.remedy.needed:
        yield f"{_remedy(results.aliasing).capitalize()}."


def _remedy(found: Aliasing) -> str:
    remedy = found.remedy
    reach = f"{show(found.level, 'N m', 3)} up to {show(found.max_speed, 'rad/s')}"
    if not remedy.needed:
        return f"no folded line above {reach}"
    cutoff = "no cutoff alone" if remedy.cutoff is None else f"a cutoff of {show(remedy.cutoff, 'Hz')}"
    sampling, unfolded = show(remedy.sampling, "Hz"), show(remedy.unfolded, "Hz")
    return (
        f"folded lines stay below {reach} with {cutoff}, or out of the band of the torque loop with "
        f"sampling at {sampling}; at {unfolded} nothing above it is folded"
    )


def _tell_misalignment(entry: CouplingError) -> Iterator[Piece]:
    table = new_table(entry.title, "order", "true torque", "reading", "received", "")
    for order in entry.orders:
        what = f"{show(order.frequency, 'Hz')}, transmission error {1e3 * order.error:.3g} mrad"
        if entry.title.startswith("Together"):
            what = show(order.frequency, "Hz")
        reading = f"{order.place:.4g} Hz, {show(order.reading, 'N m', 3)}"
        line = order.received
        loop = "-" if line is None else f"{line.frequency:.4g} Hz, {show(line.size, 'N m', 3)}"
        add_row(table, f"{order.order}", show(order.true, "N m", 3), reading, loop, what)
    if entry.mesh:
        yield table
        return
    moment = "-" if entry.bending_moment is None else show(entry.bending_moment, "N m", 3)
    force = "-" if entry.radial_force is None else f"{entry.radial_force:.3g} N"
    load = f"bending moment {moment}, radial force {force}" + (
        "" if entry.beside else ", not beside the sensor"
    )
    error = "-" if entry.bending_error is None else show(entry.bending_error, "N m", 3)
    add_row(table, "1", "0", error, "", f"by crosstalk from {load}")
    yield table


def _tell_encoder(entry: EncoderFigures) -> Iterator[Piece]:
    table = new_table(f"Encoder {entry.name}, {entry.edges} edges per turn", "figure", "value", "")
    relative = (
        "" if entry.counting_relative is None else f"{100.0 * entry.counting_relative:.3g} % of the speed"
    )
    add_row(table, "step by counting", show(entry.counting, "rad/s"), relative)
    if entry.timing is not None and entry.timing_over_period is not None and entry.crossover is not None:
        better = f"neighbouring edges; finer than counting below {show(entry.crossover, 'rad/s')}"
        add_row(table, "step by timing", show(entry.timing, "rad/s"), better)
        add_row(table, "", show(entry.timing_over_period, "rad/s"), "last edges of two periods")
    add_row(table, "delay", show(entry.delay, "s", 3), "half the counting period and the latency")
    if entry.turn_error:
        what = f"amplitude at {show(entry.turn_frequency, 'Hz')}, from {1e3 * entry.turn_error:.3g} mrad"
        add_row(table, "ripple once per turn", show(entry.turn_ripple, "rad/s"), what)
    yield table


def _band(band: Band) -> str:
    if not band.exists:
        return "nowhere"
    high = "beyond its rate" if band.high is None else f"{band.high:.4g} Hz"
    return f"to {high}" if band.low is None else f"{band.low:.3g} to {high}"


def _rule(found: Fidelity) -> str:
    if found.sensor.filter is None:
        return f"no low-pass; samples show none below {show(found.rise_limit, 's', 3)}"
    return f"0.35/cutoff would be {show(0.35 / found.sensor.filter.cutoff, 's', 3)}"


def _lines(entry: FoldedOrder, *, received: bool) -> str:
    lines = entry.received if received else entry.lines
    if not lines:
        return "-"
    return f"{lines[0].frequency:.4g} Hz, {_sized(entry, lines[0].size)}"


def _sized(entry: FoldedOrder, share: float) -> str:
    amplitude = entry.ripple.amplitude
    return f"x {share:.3g}" if amplitude is None else show(amplitude * share, "N m", 3)
