"""The figures of a fidelity analysis by name, for tables, budgets and studies."""

from dataclasses import dataclass

from shaftloop.analysis.fidelity.correction import Correction, correction
from shaftloop.analysis.fidelity.signalpath import RISE_RULE
from shaftloop.analysis.fidelity.transfer import Fidelity

__all__ = ["Figure", "figures"]


@dataclass(frozen=True)
class Figure:
    """A named figure."""

    value: float | None
    """In SI units; None where there is none."""
    unit: str
    meaning: str
    reason: str | None = None
    """Why there is no value."""


_PARTS = {
    "mechanical": "true torque per air-gap torque of the unit, relative to slow torques",
    "signal": "reading per true torque, relative to slow torques",
    "total": "reading per air-gap torque of the unit, relative to slow torques",
}
_WORDS = {"1 %": "1_percent", "5 %": "5_percent", "3 dB": "3_db"}
_OPEN = "inside up to the highest frequency looked at, the rate of the sensor"
_NEVER = "outside already for slow torques"


def figures(found: Fidelity, corrected: Correction | None = None) -> dict[str, Figure]:
    """Return every single figure of the analysis by name.

    Parameters
    ----------
    found : Fidelity
        From `fidelity`.
    corrected : Correction, optional
        From `correction`; with its defaults where not given.
    """
    entry = corrected or correction(
        found.description, found.bench.bench, found.point, 1e-3 * found.sensor.rated
    )
    return {**_static(found), **_bands(found), **_dynamic(found), **_noise(found), **_inertia(entry)}


def _static(found: Fidelity) -> dict[str, Figure]:
    return {
        "share": Figure(
            found.share, "1", "part of a slow air-gap torque of the unit that the sensor carries"
        ),
        "static_slope_error": Figure(
            found.static_slope - 1.0, "1", "slope of the reading over slow torques, minus 1"
        ),
        "static_error": Figure(
            found.static_error, "N m", "reading minus true torque at rest at the operating point, unrounded"
        ),
        "hysteresis": Figure(
            found.sensor.hysteresis * found.sensor.rated,
            "N m",
            "reading on the way back minus on the way there, largest in a cycle to the rated torque",
        ),
        "repeatability": Figure(
            found.sensor.repeatability * found.sensor.rated,
            "N m",
            "standard deviation of the zero from run to run",
        ),
    }


def _bands(found: Fidelity) -> dict[str, Figure]:
    result = {}
    for part, bands in found.bands.items():
        for band in bands:
            reason = None if band.high is not None else _OPEN if band.exists else _NEVER
            result[f"{part}_band_{_WORDS[band.level]}"] = Figure(
                band.high, "Hz", f"up to here within ±{band.level}: {_PARTS[part]}", reason
            )
            if part != "signal":
                result[f"{part}_band_{_WORDS[band.level]}_low"] = Figure(
                    band.low if band.exists and band.low is not None else 0.0 if band.exists else None,
                    "Hz",
                    f"from here within ±{band.level}: {_PARTS[part]}",
                    None if band.exists else _NEVER,
                )
    return result


def _dynamic(found: Fidelity) -> dict[str, Figure]:
    cutoff = found.sensor.filter.cutoff if found.sensor.filter else None
    result = {
        "rise_time": Figure(found.rise_time, "s", "10 to 90 % of a step behind low-pass and moving average"),
        "rise_time_rule": Figure(
            None if cutoff is None else RISE_RULE / cutoff,
            "s",
            "the same by the rule 0.35/cutoff",
            None if cutoff else "the sensor has no low-pass",
        ),
        "rise_time_limit": Figure(
            found.rise_limit, "s", "fastest rise that the samples show: rise time, at least one period"
        ),
        "reading_delay": Figure(
            found.delay,
            "s",
            "by how much the reading of a slow torque is late: low-pass, moving average and latency",
        ),
        "hold_delay": Figure(0.5 / found.sampling, "s", "what standing between samples adds on average"),
    }
    for error, width in found.pulse_widths.items():
        result[f"pulse_width_{100.0 * error:g}_percent"] = Figure(
            width,
            "s",
            f"shortest half-sine whose peak the samples show within {100.0 * error:g} %, at any phase",
            None if width is not None else "no width that was looked at is long enough",
        )
    return result


def _noise(found: Fidelity) -> dict[str, Figure]:
    noise = found.noise
    return {
        "noise_rms": Figure(
            noise.analogue, "N m", "rms noise of the reading behind low-pass and moving average"
        ),
        "quantiser_step": Figure(noise.quantiser_step, "N m", "step of the quantiser"),
        "quantiser_rms": Figure(noise.quantiser, "N m", "rms of the rounding: step/sqrt(12)"),
        "reading_noise_rms": Figure(noise.total, "N m", "noise and rounding together"),
    }


def _inertia(entry: Correction) -> dict[str, Figure]:
    none = "the line has no encoder" if entry.encoder is None else None
    return {
        "inertia": Figure(entry.inertia, "kg m^2", "from the air gap of the unit to the measuring section"),
        "inertia_behind_flange": Figure(
            entry.inertia_behind_flange, "kg m^2", "from the flange of the unit to the measuring section"
        ),
        "inertia_bias": Figure(
            entry.inertia_bias, "N m", "true minus air-gap torque in the steepest speed ramp of the sequence"
        ),
        "acceleration": Figure(entry.acceleration, "rad/s^2", "the steepest speed ramp of the sequence"),
        "drag_bias": Figure(
            0.0 - entry.drag,
            "N m",
            "true minus air-gap torque at the operating speed, from drag and iron loss",
        ),
        "drag_bias_behind_flange": Figure(
            0.0 - entry.drag_behind_flange, "N m", "the same without the unit's own"
        ),
        "correction_window": Figure(
            entry.window, "s", "over which the encoder's angle is differentiated", none
        ),
        "correction_noise_rms": Figure(
            entry.window_noise, "N m", "rms that rounding to edges leaves in the corrected torque", none
        ),
        "correction_noise_rms_shortest": Figure(
            entry.single_period_noise, "N m", "the same with a window of one period", none
        ),
        "correction_residual": Figure(
            entry.residual, "N m", "rounding and uncertainty of the inertia together, in that ramp", none
        ),
        "correction_mismatch": Figure(
            entry.mismatch, "s", "by how much the acceleration is later than the reading", none
        ),
    }
