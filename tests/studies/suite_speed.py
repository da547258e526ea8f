"""How long a suite of 100 captures of 20 ms takes; run it with python.

Text files of two channels at 250 kHz are written to a temporary folder, right and wrong boards in
turn; the captures are rendered by the package, since only time is measured here::

    python tests/studies/suite_speed.py [--captures 100] [--threads 2]
"""

import argparse
import tempfile
import time
from pathlib import Path

import numpy as np

from vadist.captures.suite import run_suite
from vadist.captures.suite_file import read_suite
from vadist.designs.files import load_design
from vadist.rendering.arrays import render

RATE_HZ = 250_000
PRESET = "boosted_hard_clipper"


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--captures", type=int, default=100)
    parser.add_argument("--threads", type=int, default=2)
    options = parser.parse_args()
    generator = np.random.default_rng(1)
    t = np.arange(5000) / RATE_HZ
    design = load_design(PRESET)
    wrong = design.with_value("blend.high_capacitor", 1.5 * design.value("blend.high_capacitor"))
    with tempfile.TemporaryDirectory() as name:
        folder, entries = Path(name), []
        for k in range(options.captures):
            hz = generator.uniform(150.0, 1500.0)
            drive = 0.05 * np.sin(2 * np.pi * hz * np.maximum(t - 2e-3, 0.0))
            output = render(wrong if k % 2 else design, drive, RATE_HZ).volts[:, 0]
            rows = np.column_stack([t, drive, output])
            np.savetxt(
                folder / f"{k}.csv", rows, "%.7g", ",", header="t (s),in (V),out (V)", comments=""
            )
            entries.append(f'[[capture]]\nfile = "{k}.csv"\n')
        text = f'design = "{PRESET}"\n[limits]\nesr = "-40dB"\n'
        (folder / "suite.toml").write_text(text + "".join(entries))
        for run in ("first (kernels from the cache or compiled)", "again"):
            start = time.perf_counter()
            _, jobs = read_suite(folder / "suite.toml")
            outcomes = run_suite(jobs, options.threads)
            seconds = time.perf_counter() - start
            passed = sum(o.report is not None and o.report.passed for o in outcomes)
            print(
                f"{run}: {len(outcomes)} captures of 20 ms, {passed} passed, {seconds:.1f} s with "
                f"{options.threads} threads"
            )


if __name__ == "__main__":
    main()
