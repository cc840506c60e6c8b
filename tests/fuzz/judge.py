"""Runs a case of the fuzz in this process and judges how it ended."""

import re
import resource
import time
from dataclasses import dataclass

from cases import WHOLE, Case
from click.testing import CliRunner

from shaftloop.cli.main import cli

__all__ = ["MOST_BYTES", "MOST_SECONDS", "Verdict", "judge"]

MOST_SECONDS = 20.0
"""Of a processor."""
MOST_BYTES = 2_000_000_000
_PLACE = re.compile(r"^\W*(?:.+:\d+: |--[a-z]|Usage: |Error: |.+\.(?:toml|csv|sqlite)\b)", re.MULTILINE)
_STEERS = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069]")


@dataclass(frozen=True)
class Verdict:
    """How a case ended."""

    code: int
    faults: tuple[str, ...]
    """What must not happen."""
    seconds: float
    """Of a processor; `run.py` judges it, with its kernels compiled. [s]"""


def judge(case: Case) -> Verdict:
    """Run a case and return how it ended.

    Parameters
    ----------
    case : Case
        From `cases.prepare`; its files are there.
    """
    begun = time.process_time()
    result = CliRunner().invoke(cli, ["--debug", *case.arguments, "--json"])
    seconds = time.process_time() - begun
    said, faults = result.output, []
    if "Traceback" in said or (result.exception and not isinstance(result.exception, SystemExit)):
        faults.append(f"traceback: {said[-1500:]} {result.exception!r}")
    elif "internal error" in said:
        faults.append(f"internal error: {said[-1500:]}")
    if result.exit_code not in (0, 1, 2, 3):
        faults.append(f"exit code {result.exit_code}")
    if result.exit_code == 2 and not _PLACE.search(said):
        faults.append(f"no place: {said[:500]}")
    lacks = "no torque sensor" in said
    if case.kind == WHOLE and ((result.exit_code == 2 and not lacks) or "; allowed: " in said):
        faults.append(f"refused: {said[:500]}")
    if found := _STEERS.search(said):
        faults.append(f"steers the terminal: {found[0]!r}")
    if (memory := 1024 * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss) > MOST_BYTES:
        faults.append(f"{memory / 1e9:.2f} GB")
    return Verdict(result.exit_code, tuple(faults), seconds)
