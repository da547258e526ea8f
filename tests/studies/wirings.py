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

import numpy as np
from hypothesis import HealthCheck, given, seed, settings

sys.path[:0] = [str(Path(__file__).parents[1] / name) for name in ("support", "contracts")]

from random_wirings import designs  # noqa: E402
from test_wired_fuzz import outcome  # noqa: E402

from vadist.designs.files import parse_design  # noqa: E402
from vadist.errors import DesignWarning, VadistError  # noqa: E402
from vadist.rendering.arrays import render  # noqa: E402


def rendered(text: str) -> str:
    """How a burst of a tenth of a volt and one of a kilovolt come out."""
    burst = np.sin(np.arange(300) / 10.0)
    found = []
    for peak_v in (0.1, 1e3):
        try:
            volts = render(parse_design(text), peak_v * burst, 48_000).volts
            found.append("finite" if np.isfinite(volts).all() else "NOT FINITE")
        except VadistError as error:
            found.append(str(error))
    return " / ".join(found)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lists", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--render", type=int, default=0, help="hear so many of those solved, too")
    options = parser.parse_args()
    counts: Counter[str] = Counter()
    heard: Counter[str] = Counter()
    slowest = [0.0]

    @seed(options.seed)
    @settings(max_examples=options.lists, deadline=None, database=None,
              suppress_health_check=list(HealthCheck))  # fmt: skip
    @given(designs())
    def study(text: str) -> None:
        start = time.perf_counter()
        found = outcome(text)
        counts[found] += 1
        slowest[0] = max(slowest[0], time.perf_counter() - start)
        if found == "solved" and heard.total() < options.render:
            heard[rendered(text)] += 1

    warnings.simplefilter("ignore", DesignWarning)
    study()
    told = ", ".join(f"{count} {what}" for what, count in counts.most_common())
    if heard:
        print(f"rendered: {dict(heard)}")
    print(f"{counts.total()} lists: {told}; the slowest took {slowest[0]:.2f} s")


if __name__ == "__main__":
    main()
