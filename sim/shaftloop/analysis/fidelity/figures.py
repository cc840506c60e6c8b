"""The figures of a fidelity analysis by name, for tables, budgets and studies."""

from shaftloop.analysis.fidelity.correction import Correction, correction
from shaftloop.analysis.fidelity.signalpath import RISE_RULE
from shaftloop.analysis.fidelity.transfer import Fidelity
from shaftloop.figures import Figure, by_name

__all__ = ["figures"]


_PARTS = {
    "mechanical": "true torque per air-gap torque of the unit, relative to slow torques",
    "signal": "reading per true torque, relative to slow torques",
    "total": "reading per air-gap torque of the unit, relative to slow torques",
}
_WORDS = {"1 %": "1_percent", "5 %": "5_percent", "3 dB": "3_db"}
_OPEN = "inside up to the highest frequency looked at, the rate of the sensor"
_NEVER = "outside already for slow torques"


def figures(found: Fidelity, corrected: Correction | None = None) -> dict[str, Figure]:
    """Return every single figure of the analysis by name, with the correction, or that of the defaults."""
    entry = corrected or correction(found.description, found.bench, found.point, 1e-3 * found.sensor.rated)
    return by_name(_static(found) + _bands(found) + _dynamic(found) + _noise(found) + _inertia(entry))


def _static(found: Fidelity) -> list[Figure]:
    return [
        _figure(
            "share", found.share, "1", "part of a slow air-gap torque of the unit that the sensor carries"
        ),
        _figure(
            "static_slope_error",
            found.static_slope - 1.0,
            "1",
            "slope of the reading over slow torques, minus 1",
        ),
        _figure(
            "static_error",
            found.static_error,
            "N m",
            "reading minus true torque at rest at the operating point, unrounded",
        ),
        _figure(
            "hysteresis",
            found.sensor.hysteresis * found.sensor.rated,
            "N m",
            "reading on the way back minus on the way there, largest in a cycle to the rated torque",
        ),
        _figure(
            "repeatability",
            found.sensor.repeatability * found.sensor.rated,
            "N m",
            "standard deviation of the zero from run to run",
        ),
    ]


def _bands(found: Fidelity) -> list[Figure]:
    result: list[Figure] = []
    for part, bands in found.bands.items():
        for band in bands:
            reason = None if band.high is not None else _OPEN if band.exists else _NEVER
            result.append(
                _figure(
                    f"{part}_band_{_WORDS[band.level]}",
                    band.high,
                    "Hz",
                    f"up to here within ±{band.level}: {_PARTS[part]}",
                    reason,
                )
            )
            if part != "signal":
                result.append(
                    _figure(
                        f"{part}_band_{_WORDS[band.level]}_low",
                        band.low if band.exists and band.low is not None else 0.0 if band.exists else None,
                        "Hz",
                        f"from here within ±{band.level}: {_PARTS[part]}",
                        None if band.exists else _NEVER,
                    )
                )
    return result


def _dynamic(found: Fidelity) -> list[Figure]:
    cutoff = found.sensor.filter.cutoff if found.sensor.filter else None
    result = [
        _figure("rise_time", found.rise_time, "s", "10 to 90 % of a step behind low-pass and moving average"),
        _figure(
            "rise_time_rule",
            None if cutoff is None else RISE_RULE / cutoff,
            "s",
            "the same by the rule 0.35/cutoff",
            None if cutoff else "the sensor has no low-pass",
        ),
        _figure(
            "rise_time_limit",
            found.rise_limit,
            "s",
            "fastest rise that the samples show: rise time, at least one period",
        ),
        _figure(
            "reading_delay",
            found.delay,
            "s",
            "by how much the reading of a slow torque is late: low-pass, moving average and latency",
        ),
        _figure("hold_delay", 0.5 / found.sampling, "s", "what standing between samples adds on average"),
    ]
    for error, width in found.pulse_widths.items():
        result.append(
            _figure(
                f"pulse_width_{100.0 * error:g}_percent",
                width,
                "s",
                f"shortest half-sine whose peak the samples show within {100.0 * error:g} %, at any phase",
                None if width is not None else "no width that was looked at is long enough",
            )
        )
    return result


def _noise(found: Fidelity) -> list[Figure]:
    noise = found.noise
    return [
        _figure(
            "noise_rms", noise.analogue, "N m", "rms noise of the reading behind low-pass and moving average"
        ),
        _figure("quantiser_step", noise.quantiser_step, "N m", "step of the quantiser"),
        _figure("quantiser_rms", noise.quantiser, "N m", "rms of the rounding: step/sqrt(12)"),
        _figure("reading_noise_rms", noise.total, "N m", "noise and rounding together"),
    ]


def _inertia(entry: Correction) -> list[Figure]:
    none = "no encoder turns with the sensor" if entry.encoder is None else None
    return [
        _figure("inertia", entry.inertia, "kg m^2", "from the air gap of the unit to the measuring section"),
        _figure(
            "inertia_behind_flange",
            entry.inertia_behind_flange,
            "kg m^2",
            "from the flange of the unit to the measuring section",
        ),
        _figure(
            "inertia_bias",
            entry.inertia_bias,
            "N m",
            "true minus air-gap torque in the steepest speed ramp of the sequence",
        ),
        _figure("acceleration", entry.acceleration, "rad/s^2", "the steepest speed ramp of the sequence"),
        _figure(
            "drag_bias",
            0.0 - entry.drag,
            "N m",
            "true minus air-gap torque at the operating speed, from drag and iron loss",
        ),
        _figure(
            "drag_bias_behind_flange",
            0.0 - entry.drag_behind_flange,
            "N m",
            "the same without the unit's own",
        ),
        _figure(
            "correction_window", entry.window, "s", "over which the encoder's angle is differentiated", none
        ),
        _figure(
            "correction_noise_rms",
            entry.window_noise,
            "N m",
            "rms that rounding to edges leaves in the corrected torque",
            none,
        ),
        _figure(
            "correction_noise_rms_shortest",
            entry.single_period_noise,
            "N m",
            "the same with a window of one period",
            none,
        ),
        _figure(
            "correction_residual",
            entry.residual,
            "N m",
            "rounding and uncertainty of the inertia together, in that ramp",
            none,
        ),
        _figure(
            "correction_mismatch",
            entry.mismatch,
            "s",
            "by how much the acceleration is later than the reading",
            none,
        ),
    ]


def _figure(name: str, value: float | None, unit: str, meaning: str, reason: str | None = None) -> Figure:
    return Figure(name, unit, meaning, reason=reason or "").found(value)
