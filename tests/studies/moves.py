"""Knobs turned during a note, undivided by SUNDIALS IDA against the renderer; run by hand.

    PYTHONPATH=tests/support python tests/studies/moves.py

50 ms of a plucked note (``signals.guitar_like``), the resistances functions of time; error against
the signal's energy about its rest at the start, the last 256 frames of the filters left out.
"""

import sys
import time

import numpy as np
import soxr
from circuit_oracle import CircuitOracle, device_models
from moved_ohms import ohms_of
from signals import energy_ratio_db, guitar_like, guitar_like_slope

from vadist import load_design, render
from vadist.circuits.operating_point import solve_network
from vadist.designs.moves import parse_move
from vadist.designs.turning import turned

FS, FRAMES, REACH, TRUTH = 48_000, 2400, 256, 16
CASES = [
    ("boosted_hard_clipper", "drive=0.2@5ms,0.9@40ms"),
    ("boosted_hard_clipper", "tone=0.1@5ms,0.9@40ms"),
    ("three_band_clipper", "drive=0@5ms,1@40ms"),
    ("three_band_clipper", "treble=0@5ms,1@12ms"),
    ("treble_boost", "level=1@5ms,0@40ms"),
]


def main() -> None:
    """Print the table."""
    for name, text in [(n, t) for n, t in CASES if not sys.argv[1:] or n in sys.argv[1:]]:
        design = load_design(name)
        start = turned(design, [parse_move(text)], FS)
        solved = solve_network(start.network)
        ohms = ohms_of(design, start.network, text)
        oracle = CircuitOracle(start.network, device_models(design), ohms)
        fast = np.arange(FRAMES * TRUTH) / (FS * TRUTH)
        begun = time.time()
        volts = oracle.solve(
            solved.node_v, fast, guitar_like, guitar_like_slope, design.output,
            rtol=1e-9, atol=1e-11, max_step=1e-3,
        )  # fmt: skip
        took = time.time() - begun
        rest = solved.node_v[design.output]
        wanted = soxr.resample(volts - rest, FS * TRUTH, FS, "VHQ")[: FRAMES - REACH]
        take = guitar_like(np.arange(FRAMES) / FS)
        told = []
        for factor in (8, 16):
            result = render(design, take, FS, oversample=factor, moves=[text])
            found = result.volts[: FRAMES - REACH, 0]
            error = energy_ratio_db(found - rest - wanted, wanted)
            told.append(f"{error:7.1f} dB (says {result.diagnostics.error_db:6.1f})")
        parts = ",".join(ohms)
        print(f"{name:22s} {text:26s} {'  '.join(told)}  {parts}  IDA {took:.0f} s", flush=True)


if __name__ == "__main__":
    main()
