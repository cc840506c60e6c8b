"""Would the tests notice? One line of the source is changed at a time, and the tests named beside it run.

``python tests/mutants/run.py [--half 1|2] [name ...]`` reads `mutants.toml`, works on a copy of the source
tree in a temporary folder and prints one row per mutant. Exit code 0 if every mutant is killed but those
whose survival is explained in the list.
"""

import argparse
import os
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import Counter
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
LIST = Path(__file__).with_name("mutants.toml")
LEFT_OUT = shutil.ignore_patterns(".git", ".venv", ".*cache", ".hypothesis")
PATIENCE = 600.0
"""A mutant under which a test does not end within this time counts as noticed [s]."""


def read_list() -> list[dict[str, Any]]:
    """Return the mutants of the list."""
    return tomllib.loads(LIST.read_text(encoding="utf-8"))["mutant"]


def fault(mutant: dict[str, Any], root: Path = ROOT) -> str | None:
    """Return why a mutant does not apply to a source tree, nothing where it does."""
    path = root / mutant["file"]
    if not path.is_file():
        return f"{mutant['file']} is not there"
    found = path.read_text(encoding="utf-8").count(mutant["old"])
    if found != 1:
        return f"{mutant['file']} holds {mutant['old']!r} {found} times, not once"
    return None


def run_tests(
    tests: list[str], root: Path, interpreted: bool, patience: float | None = PATIENCE
) -> tuple[int | None, str, list[str]]:
    """Return pytest's exit code on the copy, nothing where the time is up, what it says, and what failed."""
    folders = os.pathsep.join(str(root / name) for name in ("sim", "models"))
    settings = {
        "PYTHONPATH": folders,
        "OPENBLAS_NUM_THREADS": "1",
        "NUMBA_DISABLE_JIT": str(int(interpreted)),
    }
    command = [sys.executable, "-m", "pytest", "-q", "--tb=no", "-p", "no:cacheprovider", *tests]
    try:
        done = subprocess.run(
            command, cwd=root, env=os.environ | settings, capture_output=True, text=True, timeout=patience
        )
    except subprocess.TimeoutExpired:
        return None, "", []
    failed = re.findall(r"^(?:FAILED|ERROR) (\S+?)(?:\[| - |$)", done.stdout, re.MULTILINE)
    return done.returncode, (done.stdout + done.stderr).strip(), failed


def judge(mutant: dict[str, Any], root: Path) -> tuple[str, str]:
    """Return what became of a mutant, and the test that failed or another reason."""
    reason = fault(mutant, root)
    if reason is not None:
        return "not applicable", reason
    path = root / mutant["file"]
    whole = path.read_text(encoding="utf-8")
    tests = [word for line in mutant["tests"] for word in shlex.split(line)]
    path.write_text(whole.replace(mutant["old"], mutant["new"]), encoding="utf-8")
    try:
        code, said, failed = run_tests(["-x", *tests], root, mutant.get("interpreted", False))
    finally:
        path.write_text(whole, encoding="utf-8")
    if code is None:
        return "killed", f"a test did not end within {PATIENCE:.0f} s"
    if code == 0:
        return "survived", mutant.get("survives", "")
    return ("killed", failed[0]) if failed else ("not applicable", f"pytest ended with {code}: {said[-200:]}")


def unsound(killers: dict[str, bool], root: Path) -> set[str]:
    """Return those of the tests that fail on the sound source too, so that they kill nothing."""
    found: set[str] = set()
    for interpreted in (False, True):
        tests = [test for test, how in killers.items() if how == interpreted]
        if tests:
            code, _, failed = run_tests(tests, root, interpreted, None)
            found.update(failed if code in (0, 1) else tests)
    return found


def main() -> int:
    """Run the mutants asked for and return the exit code."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    asked.add_argument("names", nargs="*", help="mutants or files of the list; all where none is named")
    asked.add_argument("--half", type=int, choices=(1, 2), help="every other mutant only, for two processors")
    options = asked.parse_args()
    mutants = [
        m
        for m in read_list()
        if not options.names or m["name"] in options.names or m["file"] in options.names
    ]
    if options.half:
        mutants = mutants[options.half - 1 :: 2]
    found: dict[str, tuple[str, str]] = {}
    killers: dict[str, bool] = {}
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        root = Path(folder) / "copy"
        shutil.copytree(ROOT, root, ignore=LEFT_OUT)
        for mutant in mutants:
            start = time.monotonic()
            outcome, reason = found[mutant["name"]] = judge(mutant, root)
            if outcome == "killed" and "::" in reason:
                killers[reason] = mutant.get("interpreted", False)
            tell(f"{outcome:14} {mutant['name']:36} {time.monotonic() - start:4.0f} s  {reason}")
        bad = unsound(killers, root)
    for name, (outcome, reason) in found.items():
        if outcome == "killed" and reason in bad:
            found[name] = "not applicable", reason
            tell(f"not applicable {name:36} {reason} fails on the sound source too")
    counts = Counter(outcome for outcome, _ in found.values())
    tell(", ".join(f"{counts[word]} {word}" for word in ("killed", "survived", "not applicable")))
    explained = sum(outcome == "survived" and bool(reason) for outcome, reason in found.values())
    return 0 if found and counts["killed"] + explained == len(found) else 1


def tell(line: str) -> None:
    """Print one line at once."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
