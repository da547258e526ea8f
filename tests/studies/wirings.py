"""Wiring lists at random, by the thousand: how many are solved, and how long the slowest takes.

``python tests/studies/wirings.py --lists 5000``; the contract is that of
``tests/contracts/test_wired_fuzz.py``, with other lists.
"""

import argparse
import sys
import time
import warnings
from collections import Counter
from pathlib import Path

from hypothesis import HealthCheck, given, seed, settings

sys.path[:0] = [str(Path(__file__).parents[1] / name) for name in ("support", "contracts")]

from random_wirings import designs  # noqa: E402
from test_wired_fuzz import outcome  # noqa: E402

from vadist.errors import DesignWarning  # noqa: E402


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lists", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    counts: Counter[str] = Counter()
    slowest = [0.0]

    @seed(options.seed)
    @settings(max_examples=options.lists, deadline=None, database=None,
              suppress_health_check=list(HealthCheck))  # fmt: skip
    @given(designs())
    def study(text: str) -> None:
        start = time.perf_counter()
        counts[outcome(text)] += 1
        slowest[0] = max(slowest[0], time.perf_counter() - start)

    warnings.simplefilter("ignore", DesignWarning)
    study()
    told = ", ".join(f"{count} {what}" for what, count in counts.most_common())
    print(f"{counts.total()} lists: {told}; the slowest took {slowest[0]:.2f} s")


if __name__ == "__main__":
    main()
