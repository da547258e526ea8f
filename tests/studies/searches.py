"""How often one seeded search, or several, find what arithmetic over all combinations finds.

A loaded RC divider of three parts is asked for a gain and a corner at random; the closed forms give
the score of every combination, and the search of ``vadist choose`` looks for the least of them::

    python tests/studies/searches.py [--problems 100] [--series E12]
"""

import argparse
import math

import numpy as np

from vadist.quantities import neighbours, preferred_values
from vadist.questions.choose_search import search

LOAD_OHM = 1e6
MISSED = 1e6


def scores(series, gain_db, corner_hz):
    """Scores of all combinations, in slacks of 0.5 dB and 5 %, a decade round 10k and 10n."""
    around = len(preferred_values(series))
    ohm, farad = neighbours(1e4, series, around), neighbours(1e-8, series, around)
    upper, lower, shunt = np.meshgrid(ohm, ohm, farad, indexing="ij")
    parallel = 1.0 / (1.0 / lower + 1.0 / LOAD_OHM)
    gain = parallel / (upper + parallel)
    corner = 1.0 / (2.0 * math.pi * upper * gain * shunt)
    far = np.stack(
        [np.abs(20.0 * np.log10(gain) - gain_db) / 0.5,
         np.abs(np.log(corner / corner_hz)) / math.log(1.05)]
    )  # fmt: skip
    over = np.maximum(far - 1.0, 0.0).sum(axis=0)
    return np.where(over > 0.0, MISSED + over, np.hypot(*far))


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--problems", type=int, default=100)
    parser.add_argument("--series", default="E12")
    options = parser.parse_args()
    for seeds in (1, 3, 5):
        hits, met = 0, 0
        for problem in range(options.problems):
            random = np.random.default_rng([2718, problem])
            gain_db = random.uniform(-14.0, -1.0)
            table = scores(options.series, gain_db, 2000.0 * 10.0 ** random.uniform(-0.5, 1.0))
            seen = set()

            def score(places, table=table, seen=seen):
                seen.update(places)
                return np.array([table[place] for place in places])

            found = search(table.shape, score, 0, seeds=seeds)
            hits += found.score <= table.min() + 1e-9
            met += len(seen)
        print(
            f"{seeds} searches: best found in {hits} of {options.problems}, "
            f"{met / options.problems:.0f} of {table.size} combinations looked at"
        )


if __name__ == "__main__":
    main()
