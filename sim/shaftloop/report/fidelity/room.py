"""What `shaftloop fidelity` found: as a document and as a folder of files."""

import cmath
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.fidelity.aliasing import Aliasing, FoldedOrder
from shaftloop.analysis.fidelity.encoder import EncoderFigures
from shaftloop.analysis.fidelity.forced import SampledLine
from shaftloop.analysis.fidelity.misalignment import CouplingError
from shaftloop.analysis.fidelity.signalpath import hold_response
from shaftloop.analysis.fidelity.transfer import Fidelity
from shaftloop.answers.fidelity import FidelityAnswer, TorqueAt
from shaftloop.figures import number
from shaftloop.report.canvas import Picture
from shaftloop.report.documents import identity, origin
from shaftloop.report.fidelity.tables import advice, details
from shaftloop.report.fidelity.verdict import verdict

__all__ = ["FILE", "advice", "details", "document", "pictures", "verdict"]

FILE = "fidelity.json"

Complex = NDArray[np.complex128]

_UNKNOWN = "the scenario states no amplitude of this order; give one with `ripple`"
_SHOWN_LINES = 4


def document(results: FidelityAnswer) -> dict[str, Any]:
    """Return the JSON document."""
    found = results.found
    at = {"at": [_at(entry) for entry in results.at]} if results.at else {}
    return at | {
        "scenario": identity(results.scenario),
        "provenance": origin(results.scenario),
        "unit": found.unit,
        "sensor": found.sensor.name,
        "operating_point": {
            "speed": number(found.point.speed, "rad/s"),
            "torque": number(found.point.torque, "N m"),
        },
        "figures": {name: figure.document() for name, figure in results.figures.items()},
        "responses": _responses(found),
        "pulse": _pulse(found),
        "aliasing": _aliasing(results.aliasing),
        "misalignment": [_coupling(entry) for entry in results.misalignment],
        "encoders": [_encoder(entry) for entry in results.encoders],
        "warnings": list(results.warnings),
    }


def pictures(results: FidelityAnswer) -> list[Picture]:
    """Return what can be drawn."""
    from shaftloop.report.fidelity.error import error_picture
    from shaftloop.report.fidelity.folding import folding_picture
    from shaftloop.report.fidelity.pulse import pulse_picture
    from shaftloop.report.fidelity.time import time_picture

    subject, found = results.title, results.found
    drawn = [
        error_picture(found, subject),
        pulse_picture(found, subject),
        folding_picture(found, results.aliasing, subject),
    ]
    if results.simulation is not None:
        drawn.append(time_picture(found, results.simulation, subject))
    return drawn


def _at(entry: TorqueAt) -> dict[str, Any]:
    def polar(amplitude: float, phase: float) -> dict[str, Any]:
        return {"amplitude": number(amplitude, "1"), "phase": number(phase, "deg")}

    parts = {"mechanical": entry.mechanical, "signal": entry.signal}
    return {
        "frequency": number(entry.frequency, "Hz"),
        **{name: polar(abs(part), math.degrees(cmath.phase(part))) for name, part in parts.items()},
        "total": polar(entry.amplitude, entry.phase),
    }


def _responses(found: Fidelity) -> dict[str, Any]:
    """Return amplitude errors and phases over frequency, rounded to what a reader can use."""
    hold = hold_response(found.frequency, found.sampling)
    curves = {
        "mechanical": found.mechanical,
        "low_pass": found.low_pass,
        "signal": found.signal,
        "hold": hold,
        "total": found.total,
    }
    closed = found.closed_at(found.frequency)
    if closed is not None:
        curves["closed"] = closed
    document: dict[str, Any] = {"frequency": {"values": _rounded(found.frequency), "unit": "Hz"}}
    for name, curve in curves.items():
        document[name] = {
            "amplitude_error": {"values": _rounded(np.abs(curve) - 1.0), "unit": "1"},
            "phase": {"values": _rounded(np.degrees(np.unwrap(np.angle(curve)))), "unit": "deg"},
        }
    return document


def _pulse(found: Fidelity) -> dict[str, Any]:
    curve = found.pulse
    peaks = {
        "behind_low_pass": curve.filtered,
        "largest_sample_at_worst": curve.sampled,
        "true": curve.true,
        "total": curve.total,
    }
    return {
        "width": {"values": _rounded(curve.width), "unit": "s"},
        **{name: {"values": _rounded(values), "unit": "1"} for name, values in peaks.items()},
    }


def _aliasing(found: Aliasing) -> dict[str, Any]:
    remedy = found.remedy
    return {
        "level": number(found.level, "N m"),
        "control_band": number(found.band, "Hz", "no torque loop reads the sensor"),
        "max_speed": number(found.max_speed, "rad/s"),
        "orders": [_order(entry) for entry in found.orders],
        "remedy": {
            "needed": remedy.needed,
            "cutoff": number(remedy.cutoff, "Hz", "no cutoff alone does it, or the sensor has no low-pass"),
            "sampling_outside_band": number(remedy.sampling, "Hz"),
            "sampling_without_folding": number(remedy.unfolded, "Hz"),
        },
    }


def _order(entry: FoldedOrder) -> dict[str, Any]:
    amplitude = entry.ripple.amplitude
    return {
        "order": entry.ripple.order,
        "source": entry.ripple.source,
        "amplitude": number(amplitude, "N m", _UNKNOWN),
        "frequency": number(entry.frequency, "Hz"),
        "true_torque": number(None if amplitude is None else amplitude * entry.true, "N m", _UNKNOWN),
        "reading": [_line(line, amplitude) for line in entry.lines[:_SHOWN_LINES]],
        "received": [_line(line, amplitude) for line in entry.received[:_SHOWN_LINES]],
    }


def _line(line: SampledLine, amplitude: float | None) -> dict[str, Any]:
    return {
        "frequency": number(line.frequency, "Hz"),
        "gain": number(line.size, "1"),
        "amplitude": number(None if amplitude is None else amplitude * line.size, "N m", _UNKNOWN),
        "direct": line.direct,
    }


def _coupling(entry: CouplingError) -> dict[str, Any]:
    bending = (
        "of a mesh or joint the bearings are not modelled"
        if entry.mesh
        else (
            "crosstalk, or stiffness of the coupling, not stated" if entry.beside else "not beside the sensor"
        )
    )
    return {
        "coupling": entry.coupling,
        "orders": [
            {
                "order": float(order.order),
                "frequency": number(order.frequency, "Hz"),
                "transmission_error": number(order.error, "rad"),
                "true_torque": number(order.true, "N m"),
                "reading": number(order.reading, "N m"),
                "appears_at": number(order.place, "Hz"),
                "received": None
                if order.received is None
                else {
                    "frequency": number(order.received.frequency, "Hz"),
                    "amplitude": number(order.received.size, "N m"),
                },
            }
            for order in entry.orders
        ],
        "bending_moment": number(entry.bending_moment, "N m", "its bending_stiffness is not stated"),
        "radial_force": number(entry.radial_force, "N", "its radial_stiffness is not stated"),
        "beside_sensor": entry.beside,
        "reading_from_bending": number(entry.bending_error, "N m", bending),
    }


def _encoder(entry: EncoderFigures) -> dict[str, Any]:
    rest, clock = "the speed is zero", "no clock stated, or at rest; give one with `clock`"
    return {
        "name": entry.name,
        "edges_per_turn": entry.edges,
        "method": entry.method,
        "counting_step": number(entry.counting, "rad/s"),
        "counting_relative": number(entry.counting_relative, "1", rest),
        "timing_step": number(entry.timing, "rad/s", clock),
        "timing_step_over_period": number(entry.timing_over_period, "rad/s", clock),
        "crossover_speed": number(entry.crossover, "rad/s", clock),
        "delay": number(entry.delay, "s"),
        "turn_error": number(entry.turn_error, "rad"),
        "turn_ripple": number(entry.turn_ripple, "rad/s"),
        "turn_frequency": number(entry.turn_frequency, "Hz"),
    }


def _rounded(values: NDArray[np.float64]) -> list[float]:
    return [float(f"{value:.7g}") for value in values]
