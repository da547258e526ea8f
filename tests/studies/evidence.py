"""False verdicts over 300 right captures and 300 wrong ones; run it with python.

Wrong ones are bypassed, dead, swapped, inverted, of another design or take, shifted to where the
board rests, or off in offset or gain; right ones have what benches have: probes 2 % off, clocks 500
ppm off, 8 bits and noise. Boards are presets, rendered at 32x::

    python tests/studies/evidence.py [--captures 300] [--first 0] [--limit-db -48]
"""

import argparse
import sys
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from bench_captures import check, right_capture, wrong_capture

from vadist.captures.evidence import Verdict
from vadist.captures.limits import DEFAULT_LIMITS, judge
from vadist.errors import UnjudgedError


def verdicts(capture, name, source, limits, told):
    """At the limit given and at the default."""
    try:
        report = check(capture, name, source, limits)
    except UnjudgedError as error:
        print(f"{told}: {error}", flush=True)
        return Verdict.NOT_JUDGED, Verdict.NOT_JUDGED
    default = judge(report.figures, list(report.harmonics), DEFAULT_LIMITS)[0]
    usual = report.verdict
    if usual in (Verdict.PASS, Verdict.FAIL, Verdict.NOT_JUDGED) and not (
        report.evidence.against_judging
    ):
        held = [default, *report.judgements[1:]]
        usual = (
            Verdict.FAIL if any(not j.passed and not j.undecided for j in held)
            else Verdict.PASS if all(j.passed for j in held) else Verdict.NOT_JUDGED
        )  # fmt: skip
    e = report.evidence
    print(
        f"{told}: {report.verdict} (by default {usual}); model error "
        f"{report.figures.model_error_db:.1f} dB, noise {e.noise_db or 0.0:.1f}, recognised "
        f"{e.recognised:.2f}, agreement {e.agreement:.2f}, overlap {e.overlap:.2f}, coherence "
        f"{e.coherence:.2f}; {'; '.join(report.reasons)[:100]}",
        flush=True,
    )
    return report.verdict, usual


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--captures", type=int, default=300)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--limit-db", type=float, default=-48.0)
    options = parser.parse_args()
    limits, start = {"model_error": options.limit_db}, time.process_time()
    table, default = {}, {}
    for seed in range(options.first, options.first + options.captures):
        for what, case in (("right", right_capture(seed)), (None, wrong_capture(seed))):
            kind = what or case[3]
            pair = verdicts(*case[:3], limits, f"{seed:3d} {kind}, {case[1]}")
            for held, verdict in zip((table, default), pair, strict=True):
                held.setdefault(kind, Counter())[verdict] += 1
    for words, held in ((f"limit {options.limit_db:g} dB", table), (f"{DEFAULT_LIMITS}", default)):
        print(f"\n{words:30s}" + "".join(f"{v!s:>22s}" for v in Verdict))
        for kind, counts in held.items():
            print(f"{kind:30s}" + "".join(f"{counts[v]:22d}" for v in Verdict))
    print(f"{time.process_time() - start:.0f} CPU s")


if __name__ == "__main__":
    main()
