"""How often delay, clock and sign are found, over 300 random records; run it with python.

Sweeps, steps and guitar of 2 to 60 s through three presets; any clock within 500 ppm, any delay
that leaves half of the stimulus in the record, upright or inverted, 20 to 60 dB of signal to
noise::

    python tests/studies/alignments.py [--cases 300] [--first 0]
"""

import argparse
import sys
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from bench_takes import alignment_case

from vadist.captures.evidence import LEAST_AGREEMENT, LEAST_RECOGNISED

FOUND_S = 10e-6


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=300)
    parser.add_argument("--first", type=int, default=0)
    options = parser.parse_args()
    counts, worst, longest = Counter(), 0.0, 0.0
    least = [1.0, 1.0]
    for seed in range(options.first, options.first + options.cases):
        case = alignment_case(seed)
        start = time.process_time()
        found = case.align()
        spent = time.process_time() - start
        slip = case.slip_s(found)
        right = slip < FOUND_S and found.sign == case.recorder.sign
        sure = found.recognised >= LEAST_RECOGNISED and found.agreement >= LEAST_AGREEMENT
        counts["found" if right and sure else "told as not found" if not sure else "WRONG"] += 1
        longest = max(longest, spent)
        if right:
            worst = max(worst, slip)
            least = [min(least[0], found.recognised), min(least[1], found.agreement)]
        print(
            f"{seed:3d} {'found' if right else 'MISSED'} {case.told}: within {slip * 1e6:.2f} us, "
            f"recognised {found.recognised:.3f}, agreement {found.agreement:.3f} ({spent:.1f} s)",
            flush=True,
        )
    print(
        f"{options.cases} cases: {dict(counts)}; found ones within {worst * 1e6:.2f} us; least "
        f"recognised {least[0]:.3f}, least agreement {least[1]:.3f}; at most {longest:.1f} CPU s"
    )


if __name__ == "__main__":
    main()
