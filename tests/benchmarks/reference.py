"""Compile and run the hand-written C program of the reference bench (``reference_bench.c``)."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

SOURCE = Path(__file__).with_name("reference_bench.c")
PLAIN = ("-O2",)
NATIVE = ("-O3", "-march=native")
CHANNELS = ("time", "true_torque", "drive_speed")


def build(flags: tuple[str, ...] = PLAIN, folder: Path | None = None) -> Path | None:
    """Compile the program.

    Parameters
    ----------
    flags : tuple of str
        Options for gcc. [-]
    folder : Path, optional
        Where the program goes; a new temporary folder by default.

    Returns
    -------
    Path or None
        The program; None where there is no gcc.
    """
    gcc = shutil.which("gcc")
    if gcc is None:
        return None
    program = (folder or Path(tempfile.mkdtemp(prefix="reference-bench-"))) / "reference_bench"
    subprocess.run([gcc, *flags, str(SOURCE), "-lm", "-o", str(program)], check=True)
    return program


def run(
    program: Path, *, quantiser: bool = False, step_us: float = 25.0, duration: float = 2.0
) -> dict[str, NDArray[np.float64]]:
    """Simulate from rest and return what every sensor tick recorded, both ends included.

    Parameters
    ----------
    program : Path
        What `build` returned.
    quantiser : bool
        Round the sensor's samples. [-]
    step_us : float
        Largest Runge-Kutta step, 0.01 to 25. [µs]
    duration : float
        Simulated time. [s]

    Returns
    -------
    dict of str to ndarray
        ``time`` [s], ``true_torque`` [N·m] and ``drive_speed`` [rad/s], shape (sensor ticks,).
    """
    with tempfile.TemporaryDirectory() as folder:
        table = Path(folder) / "record.csv"
        choices = {"--quantiser": int(quantiser), "--step-us": step_us, "--duration": duration}
        _call(program, {**choices, "--out": table})
        columns = np.loadtxt(table, delimiter=",", skiprows=1, ndmin=2).T
    return dict(zip(CHANNELS, columns, strict=True))


def time_per_second(
    program: Path, *, repeat: int = 20, step_us: float = 25.0, duration: float = 2.0, every: bool = False
) -> tuple[float, float]:
    """Minimum and median processor time of `repeat` runs, recording included. [ms per simulated second].

    Parameters
    ----------
    every : bool
        Record every channel that the bench has, not true torque and drive speed alone. [-]
    """
    choices = {"--repeat": repeat, "--step-us": step_us, "--duration": duration, "--all": int(every)}
    words = _call(program, choices).split()
    return float(words[1]), float(words[3])


def _call(program: Path, options: dict[str, object]) -> str:
    words = [str(word) for option in options.items() for word in option]
    return subprocess.run([str(program), *words], check=True, capture_output=True, text=True).stdout
