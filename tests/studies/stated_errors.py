"""How far the stated numerical error is from the truth, on takes made to mislead it.

    python tests/studies/stated_errors.py [--takes 200] [--accuracy] [--factors 8] [--seed 0]

Authority: a run at four times the factor that is judged, whose own error is 20 to 30 dB below;
energy of the error over that of the signal about its mean, the whole take and all channels. With
--accuracy it is the method chosen that is judged.
"""

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from hard_takes import KINDS, RATE, hard_take

from vadist.designs.design import Design
from vadist.designs.files import load_design, preset_names
from vadist.errors import UsageError
from vadist.rendering.arrays import render
from vadist.rendering.method import Method


def design_at_random(rng: np.random.Generator) -> tuple[str, Design]:
    """A preset with every knob but the level somewhere."""
    name = str(rng.choice(preset_names()))
    design = load_design(name)
    for control in design.controls:
        if control != "level":
            design = design.with_value(control, float(rng.uniform(0.05, 1.0)))
    return name, design


def true_error_db(design: Design, take: np.ndarray, mine: np.ndarray, method: Method) -> float:
    """Error of a render against one at four times its factor."""
    truth = render(design, take, RATE, oversample=4 * method.oversample).volts
    signal = truth - truth.mean(axis=0)
    return float(10.0 * np.log10(np.sum((mine - truth) ** 2) / np.sum(signal**2)))


def main() -> None:
    """Print every take and the distribution."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--takes", type=int, default=200)
    parser.add_argument("--accuracy", action="store_true")
    parser.add_argument("--factors", type=int, nargs="*", default=[8])
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--seconds", type=float, nargs=2, default=[0.2, 3.0])
    options = parser.parse_args()
    off, missed = [], 0
    for number in range(options.takes):
        seed = options.seed + number
        rng = np.random.default_rng([seed, 1])
        kind = list(KINDS)[number % len(KINDS)]
        name, design = design_at_random(rng)
        seconds = float(np.exp(rng.uniform(*np.log(options.seconds))))
        take = hard_take(kind, seconds, seed)
        wanted = float(rng.uniform(-95.0, -60.0)) if options.accuracy else None
        factor = None if options.accuracy else options.factors[number % len(options.factors)]
        try:
            found = render(design, take, RATE, oversample=factor, accuracy_db=wanted)
        except UsageError as error:
            print(f"{seed:4d} {kind:18} {name:23} {seconds:5.2f} s  refused: {error}", flush=True)
            continue
        stated, method = found.diagnostics.error, found.diagnostics.method
        true = true_error_db(design, take, found.volts, method)
        off.append(stated.whole_db - true)
        kept = wanted is None or true <= wanted
        missed += not kept
        print(
            f"{seed:4d} {kind:18} {name:23} {seconds:5.2f} s  {method!s:28} stated "
            f"{stated.whole_db:7.2f}  true {true:7.2f}  off {off[-1]:+6.2f}  worst "
            f"{stated.worst_db:6.1f} at {stated.worst_s:.2f} s"
            + (f"  wanted {wanted:.1f}{'' if kept else ' MISSED'}" if wanted else ""),
            flush=True,
        )
    off = np.sort(off)
    marks = np.percentile(off, [0, 1, 5, 25, 50, 75, 95, 100])
    words = ("least", "1 %", "5 %", "quarter", "median", "three quarters", "95 %", "most")
    told = ", ".join(f"{word} {mark:+.2f}" for word, mark in zip(words, marks, strict=True))
    print(f"stated less true, dB: {told}")
    print(
        f"more than 2 dB optimistic: {np.sum(off < -2.0)} of {len(off)}; "
        f"more than 6 dB pessimistic: {np.sum(off > 6.0)}; accuracy missed: {missed}"
    )


if __name__ == "__main__":
    main()
