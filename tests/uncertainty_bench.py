"""A light bench with all that `shaftloop uncertainty` asks for, quick without compilation."""

from pathlib import Path

from fidelity_bench import RICH

__all__ = ["METERED", "PLAN", "write_bench"]

METERS = """
[[power_meter]]
name = "p-drive"
on = "drive"
sampling = "1 kHz"
range = "20 kW"
class_reading = "0.05 %"
class_range = "0.05 %"

[[power_meter]]
name = "p-load"
on = "load"
sampling = "1 kHz"
range = "20 kW"
class_reading = "0.05 %"
class_range = "0.05 %"
"""

PLAN = """
[uncertainty]
points = [{ speed = "800 rpm", torque = "20 N m" }]
window = "0.5 s"
temperature = "10 K"
torque_ripple = "2 N m"
speed_ripple = "0.5 rpm"
ripple_order = 24
torque_drift = "0.02 N m/s"
speed_drift = "0.1 rpm/s"
correlation = 0.5
clock_error = "0.01 %"
meter_correlation = 0.8
losses = "10 %"
"""

_ACCURACY = """\
hysteresis = "0.1 %"
repeatability = "0.05 %"
nonlinearity = "0.05 %"
gain_error = "0.05 %"
zero = "10 mN m"
accuracy = { calibration = "0.1 %", temperature_zero = "0.01 %/K", repeatability_dof = 4 }
"""

METERED = (
    RICH.replace('noise_density = "5 mN m/rtHz"\n', f'noise_density = "5 mN m/rtHz"\n{_ACCURACY}').replace(
        "drag = { viscous", "efficiency = 0.9\ndrag = { viscous"
    )
    + METERS
)


def write_bench(folder: Path, text: str = METERED + PLAN) -> Path:
    """Write a scenario and return its file.

    Parameters
    ----------
    folder : Path
        An existing folder.
    text : str
        Of the scenario.
    """
    path = folder / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return path
