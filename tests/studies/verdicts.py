"""False verdicts over 200 seeded captures of right and wrong boards; run it with python.

Boards are solved by SUNDIALS IDA and recorded by a synthetic 8-bit oscilloscope (probe +-2 %, clock
+-50 ppm, trigger within 1 ms, half a step of noise). Half of the captures are of the right board,
half of boards with one part off by 10 % (or what is asked for) up or down, in turn over all
blocks::

    python tests/studies/verdicts.py [--captures 200] [--limit-db -48] [--off 0.1] [--cache FOLDER]
"""

import argparse
import pickle
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from synthetic_bench import (
    PARTS,
    PLAYER_HZ,
    Scope,
    level_sweeps,
    short_board,
    solved_change,
    stimulus_capture,
)

from vadist.captures.check import check_capture
from vadist.captures.evidence import Verdict


def solved(path, factor, cache):
    """Output of a changed board, from the cache if there is one."""
    if cache is None:
        return solved_change(path, factor)
    file = Path(cache) / f"{path or 'right'}_{factor:g}.pickle"
    if not file.exists():
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(pickle.dumps(solved_change(path, factor)))
    return pickle.loads(file.read_bytes())


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--captures", type=int, default=200)
    parser.add_argument("--limit-db", type=float, default=-48.0)
    parser.add_argument("--off", type=float, default=0.1)
    parser.add_argument("--cache")
    options = parser.parse_args()
    board, volts = short_board(), level_sweeps()
    seconds, stimulus = len(volts) / PLAYER_HZ, stimulus_capture(volts)
    changes = [
        (f"{stage}.{part}", factor)
        for stage, parts in PARTS.items() for part in parts
        for factor in (1.0 - options.off, 1.0 + options.off)
    ]  # fmt: skip
    limits = {"model_error": options.limit_db}
    false_fail, unjudged, false_pass, figures = 0, 0, Counter(), {"right": [], "wrong": {}}
    start = time.perf_counter()
    for seed in range(options.captures):
        wrong = seed % 2 == 1
        path, factor = changes[seed // 2 % len(changes)] if wrong else ("", 1.0)
        wave = solved(path, factor, options.cache)
        capture = Scope().record([wave], seconds, np.random.default_rng(seed))
        report = check_capture(capture, board, stimulus, limits=limits)
        figure = report.figures.model_error_db
        if wrong:
            figures["wrong"].setdefault(f"{path} x{factor:g}", []).append(figure)
            false_pass[path] += report.passed
        else:
            figures["right"].append(figure)
            false_fail += report.verdict is Verdict.FAIL
            unjudged += not report.passed and report.verdict is not Verdict.FAIL
    for change, found in sorted(figures["wrong"].items(), key=lambda item: max(item[1])):
        print(f"{change:32s} model error {max(found):6.1f} dB at most")
    right = max(figures["right"])
    nearest = min(min(found) for found in figures["wrong"].values())
    print(f"right boards: {right:.1f} dB at most; wrong boards: {nearest:.1f} dB at least")
    print(
        f"{options.captures} captures, limit {options.limit_db:g} dB: {false_fail} right ones "
        f"failed, {unjudged} could not be judged, {sum(false_pass.values())} wrong ones passed "
        f"({time.perf_counter() - start:.0f} s)"
    )


if __name__ == "__main__":
    main()
