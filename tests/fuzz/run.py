"""The whole fuzz, by hand: ``python tests/fuzz/run.py --count 20000``; prints what it found.

Cases run in processes of their own, a hundred at a time; one that takes far too long is killed and counts as
found. The same numbers give the same cases. With ``--notes FILE`` it goes on where it was left, and keeps in
the file how the cases ended and what was found. ``--kinds whole`` runs what is not broken through every
command: the shipped benches, those beside the project, and 60 random ones, none of which may be refused.
"""

import argparse
import json
import multiprocessing
import os
import resource
import sys
import tempfile
import time
from collections import Counter
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import click

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1])]

from cases import KINDS, WHOLE, Case, prepare, whole_count
from judge import MOST_SECONDS, judge

from randombench import random_bench

_CHUNK = 100


def main() -> None:
    """Run the cases and print a line per finding, then the numbers."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--first", type=int, default=0, help="number of the first case")
    parser.add_argument("--kinds", nargs="+", choices=[*KINDS, WHOLE], default=list(KINDS))
    parser.add_argument(
        "--seconds", type=float, default=float("inf"), help="begin no further cases after this"
    )
    parser.add_argument("--notes", type=Path, help="file that keeps how far it is and what was found")
    options = parser.parse_args()
    if options.kinds == [WHOLE]:
        options.count = min(options.count, whole_count() - options.first)
    begun, last = time.monotonic(), options.first + options.count
    notes: dict[str, Any] = {"next": options.first, "counts": {}, "found": []}
    if options.notes is not None and options.notes.exists():
        notes = json.loads(options.notes.read_text(encoding="utf-8"))
    counts = Counter(notes["counts"])
    with tempfile.TemporaryDirectory() as folder:
        _compile(Path(folder))
        while notes["next"] < last and time.monotonic() - begun < options.seconds:
            number = notes["next"]
            until = min(number + _CHUNK, last)
            number, found = _chunk(number, until, options.kinds, Path(folder), counts)
            notes = {"next": number, "counts": counts, "found": [*notes["found"], *found]}
            if options.notes is not None:
                options.notes.write_text(json.dumps(notes, indent=1), encoding="utf-8")
            click.echo(f"# {number} cases: {json.dumps(counts)}")


def _compile(folder: Path) -> None:
    """Compile every kernel once, which is no cost of a case."""
    path = folder / "bench.toml"
    path.write_text(random_bench(10, 0.01), encoding="utf-8")
    for verb in ("simulate", "margins", "fidelity"):
        judge(Case(-1, "", path, (verb, str(path))))


def _chunk(
    first: int, last: int, kinds: list[str], folder: Path, counts: "Counter[str]"
) -> tuple[int, list[str]]:
    """Run cases in one process and return the number of the next, and what was found."""
    context = multiprocessing.get_context("fork")
    receiver, sender = context.Pipe(duplex=False)
    process = context.Process(target=_work, args=(first, last, kinds, folder, sender))
    process.start()
    sender.close()
    number, found = first, []
    while number < last:
        try:
            kind, verb, code, faults = receiver.recv()
        except EOFError:
            kind, verb, code, faults = kinds[number % len(kinds)], "", -1, [f"killed by {process.exitcode}"]
        counts[f"{kind} {verb} -> {code}"] += 1
        for fault in faults:
            found.append(f"case {number} ({kind} {verb}): {fault}")
            click.echo(found[-1])
        number += 1
        if code == -1:
            break
    process.join()
    return number, found


def _work(first: int, last: int, kinds: list[str], folder: Path, sender: Connection) -> None:
    for number in range(first, last):
        used = sum(resource.getrusage(resource.RUSAGE_SELF)[:2])
        resource.setrlimit(resource.RLIMIT_CPU, (int(used + 3.0 * MOST_SECONDS), resource.RLIM_INFINITY))
        case = prepare(number, folder / str(os.getppid()), kinds)
        verdict = judge(case)
        slow = [f"{verdict.seconds:.1f} s"] if verdict.seconds > MOST_SECONDS else []
        sender.send((case.kind, case.arguments[0], verdict.code, [*verdict.faults, *slow]))


if __name__ == "__main__":
    main()
