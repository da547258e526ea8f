"""Every preset, undivided and with its rails, by SUNDIALS IDA against the renderer; run by hand.

    PYTHONPATH=tests/support python tests/studies/undivided.py [NAME ...]

50 ms of a plucked note (``signals.guitar_like``), at the default rate and the next finer one; error
against the signal's energy about its rest, the last 256 frames of the filters left out.
"""

import sys
from importlib.resources import files

import numpy as np
import soxr
from circuit_oracle import CircuitOracle, device_models
from signals import energy_ratio_db, guitar_like, guitar_like_slope

from vadist import load_design, render
from vadist.analysis.chain_response import solve_design

FS, FRAMES, REACH, TRUTH = 48_000, 2400, 256, 16


def main() -> None:
    """Print the table."""
    folder = files("vadist.presets")
    names = sys.argv[1:] or sorted(p.name[:-5] for p in folder.iterdir() if p.suffix == ".toml")
    print(f"{'preset':24s} {'drive':>5s}  moving rails      8x        16x")
    for name in names:
        base = load_design(name)
        for drive in (0.5, 1.0) if "drive" in base.controls else (None,):
            design = base if drive is None else base.with_value("drive", drive)
            solved = solve_design(design)
            oracle = CircuitOracle(solved.network, device_models(design))
            fast = np.arange(FRAMES * TRUTH) / (FS * TRUTH)
            volts = oracle.solve(
                solved.node_v, fast, guitar_like, guitar_like_slope, design.output,
                rtol=1e-8, atol=1e-9,
            )  # fmt: skip
            rest = solved.node_v[design.output]
            wanted = soxr.resample(volts - rest, FS * TRUTH, FS, "VHQ")[: FRAMES - REACH]
            take = guitar_like(np.arange(FRAMES) / FS)
            told = []
            for factor in (8, 16):
                found = render(design, take, FS, oversample=factor).volts[: FRAMES - REACH, 0]
                told.append(f"{energy_ratio_db(found - rest - wanted, wanted):7.1f} dB")
            rails = " ".join(solved.network.moving_rails) or "none"
            print(f"{name:24s} {drive or '':>5}  {rails:14s} {'  '.join(told)}", flush=True)


if __name__ == "__main__":
    main()
