"""Random events by hand: ``python tests/events/run.py --count 10000``; a share of them is a test."""

import argparse
import sys
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1])]

from trying import Outcome, tried


def main() -> None:
    """Try many plans and say what is wrong with them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--first", type=int, default=0)
    given = parser.parse_args()
    begun, outcomes, bad = time.perf_counter(), [], 0
    for seed in range(given.first, given.first + given.count):
        try:
            outcome = tried(seed)
        except Exception as error:  # noqa: BLE001  (no plan may raise)
            outcome = Outcome((f"{type(error).__name__}: {error}",))
        outcomes.append(outcome)
        if outcome.wrong:
            bad += 1
            sys.stdout.write("\n    ".join([str(seed), *outcome.wrong]) + "\n")
            sys.stdout.flush()
    run = [outcome for outcome in outcomes if not outcome.refused]
    sys.stdout.write(
        f"{len(outcomes)} plans in {time.perf_counter() - begun:.0f} s: {bad} wrong, "
        f"{len(outcomes) - len(run)} refused, {sum(outcome.events for outcome in run)} events, "
        f"{sum(outcome.undecided for outcome in run)} checks undecided, "
        f"largest residual {max((outcome.residual for outcome in run), default=0.0):.2g}\n"
    )


if __name__ == "__main__":
    main()
