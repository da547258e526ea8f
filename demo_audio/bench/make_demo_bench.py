"""Make the demonstration capture: an invented board with one wrong capacitor.

The board is ``board.toml`` with 47n where 15n belongs in the low arm of its tone blend, solved by
SUNDIALS IDA. It is driven with the stimulus beside this script, started by hand a little after the
oscilloscope, and recorded in 8 bits at 100 kHz with a probe 1 % off and a clock 30 ppm off. Run it
in a checkout, with what the tests need installed::

    python demo_audio/bench/make_demo_bench.py
"""

import gzip
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "tests" / "support"))

from synthetic_bench import PLAYER_HZ, short_board, solve_board

from vadist.captures.stimulus import make_stimulus
from vadist.captures.stimulus_files import write_stimulus
from vadist.designs.files import write_design

HERE = Path(__file__).parent
WRONG = ("blend.low_capacitor", 47e-9)
SCOPE_HZ, CLOCK_PPM, PROBE, LATE_S = 100e3, 30.0, 1.01, 0.0123
STEP_V = 4e-3  # 1 V over 256 steps, about
NOISE_STEPS = 0.5


def main() -> None:
    """Write the design, the stimulus and the capture beside this script."""
    board = short_board()
    (HERE / "board.toml").write_text(write_design(board), encoding="utf-8")
    stimulus = make_stimulus(
        "stepped-sines", peak_v=0.2, seconds=0.02, frequencies_hz=[500.0, 3000.0]
    )
    write_stimulus(stimulus, HERE / "stimulus.wav", 1.0, overwrite=True)
    _, output = solve_board(board.with_value(*WRONG), stimulus.volts)
    generator = np.random.default_rng(7)
    frames = int((len(stimulus.volts) / PLAYER_HZ - 0.05) * SCOPE_HZ)
    t = np.arange(frames) / SCOPE_HZ
    volts = PROBE * output(LATE_S + t * (1.0 + 1e-6 * CLOCK_PPM))
    middle = volts[0]
    noise = generator.normal(0.0, NOISE_STEPS * STEP_V, frames)
    steps = STEP_V * np.round((volts - middle + noise) / STEP_V)
    lines = [
        "Board;demonstration", f"Rows;{frames}", "Interval;1.000E-05;s", "",
        "Time (s);Output (mV)",
    ]  # fmt: skip
    lines += [
        f"{k / SCOPE_HZ - 0.02:.5f};{1e3 * (v + middle):.0f}".replace(".", ",")
        for k, v in enumerate(steps)
    ]
    text = "\r\n".join(lines) + "\r\n"
    # No time of day in the file: made again it is the same, byte for byte.
    (HERE / "capture.csv.gz").write_bytes(gzip.compress(text.encode("latin-1"), mtime=0))


if __name__ == "__main__":
    main()
