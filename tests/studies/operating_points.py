"""Operating points of 5 000 seeded random chains, each judged by Kirchhoff; run it with python.

Chains of one to eight stages with preferred numbers, library parts, zero ohms, pots at their ends
and supplies of 3 to 30 V either rest where an independent sum of currents says they do, or are
refused for a physical reason::

    python tests/studies/operating_points.py [--chains 5000] [--first 0] [--without-newton]

With ``--without-newton`` every circuit is switched on instead, which must do alone.
"""

import argparse
import re
import sys
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from kirchhoff import judge
from random_chains import ChainMaker

from vadist.analysis.chain_response import solve_design
from vadist.circuits import operating_point
from vadist.errors import ConvergenceError, DesignError

REASONS = {
    "supply too low for the op-amp": r"needs more than .* of supply",
    "a wire shorts two stiff nodes": r"has no resistance and shorts",
    "nothing limits a device's current": r"nothing limits its current",
    "no direct current reaches a device": r"no direct current reaches",
}
IMBALANCE, CORRECTION, SPREAD_V = 1e-8, 1e-8, 1e-13


def reason(message: str) -> str:
    return next((k for k, pattern in REASONS.items() if re.search(pattern, message)), message)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--chains", type=int, default=5000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--without-newton", action="store_true")
    options = parser.parse_args()
    if options.without_newton:
        operating_point.DIRECT_STEPS = 0
    outcomes, worst, switched = Counter(), Counter(), 0
    switch_on = operating_point._switched_on

    def counted(equations):
        nonlocal switched
        switched += 1
        return switch_on(equations)

    operating_point._switched_on = counted
    start = time.process_time()
    for seed in range(options.first, options.first + options.chains):
        design = ChainMaker(seed).design()
        try:
            volts = solve_design(design).node_v
        except ConvergenceError as error:
            outcomes["FAILED"] += 1
            print(f"seed {seed}: {error}")
            continue
        except DesignError as error:
            outcomes[f"refused: {reason(str(error))}"] += 1
            continue
        found = judge(design, volts)
        relative = found.correction_v / max(abs(v) for v in volts.values())
        worst["imbalance"] = max(worst["imbalance"], found.imbalance)
        worst["correction"] = max(worst["correction"], relative)
        worst["spread"] = max(worst["spread"], found.spread_v)
        if found.imbalance > IMBALANCE or relative > CORRECTION or found.spread_v > SPREAD_V:
            outcomes["FOUND, BUT KIRCHHOFF DISAGREES"] += 1
            print(f"seed {seed}: {found}")
        else:
            outcomes["found and confirmed"] += 1
    for outcome, count in outcomes.most_common():
        print(f"{count:6d}  {outcome}")
    print(f"{switched:6d}  sections that had to be switched on")
    print(
        f"worst net current {worst['imbalance']:.1e} of the currents at a node, worst Newton "
        f"correction {worst['correction']:.1e} of the largest voltage, {worst['spread']:.1e} V "
        f"along a wire; {time.process_time() - start:.0f} s"
    )
    return int(any(outcome.isupper() or "BUT" in outcome for outcome in outcomes))


if __name__ == "__main__":
    sys.exit(main())
