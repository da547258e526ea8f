"""Coverage of fit intervals over 100 seeded boards; run it with python.

Each board has three parts off by up to 25 %; SUNDIALS IDA solves it and a synthetic 8-bit
oscilloscope records it. The fit starts from the design's values and frees those three parts::

    python tests/studies/fits.py [--boards 100] [--first 0]
"""

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from synthetic_bench import fit_case

from vadist.fitting.fit import fit_design


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--boards", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    options = parser.parse_args()
    values = covered = boards = 0
    widths, errors = [], []
    start = time.perf_counter()
    for seed in range(options.first, options.first + options.boards):
        case = fit_case(seed)
        report = fit_design(case.capture, case.design, list(case.truth), case.source)
        inside = []
        for e in report.estimates:
            truth = case.truth[e.free.path]
            inside.append(e.identifiable and e.low <= truth <= e.high)
            errors.append(abs(e.value / truth - 1.0))
            widths.append(0.5 * (e.high - e.low) / e.value)
        values += len(inside)
        covered += sum(inside)
        boards += all(inside)
        told = ", ".join(
            f"{e.free.path} {100 * (e.value / case.truth[e.free.path] - 1):+.2f} % of "
            f"+-{50 * (e.high - e.low) / e.value:.2f} %"
            for e in report.estimates
        )
        print(f"{seed:3d} {'' if all(inside) else 'OUTSIDE '}{told}", flush=True)
    print(
        f"{boards} of {options.boards} boards with every part within its 99 % interval, {covered} "
        f"of {values} values; median error {100 * np.median(errors):.2f} %, median half width "
        f"{100 * np.median(widths):.2f} % ({time.perf_counter() - start:.0f} s)"
    )


if __name__ == "__main__":
    main()
