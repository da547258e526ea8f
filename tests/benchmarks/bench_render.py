"""How fast a render is, with its accuracy beside it; run by hand, never as a test.

    python tests/benchmarks/bench_render.py [--seconds 180] [--quick]

Everything is measured in one run on one machine, so ratios hold even where the machine is noisy.
CPU seconds count the work of all threads; wall seconds are what a person waits.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import soxr

from vadist.circuits.operating_point import solve_network
from vadist.designs.files import load_design, preset_names
from vadist.rendering import spans
from vadist.rendering.arrays import render, render_candidates
from vadist.stepping.batch import LANES
from vadist.stepping.circuit import build_circuit
from vadist.stepping.segments import Plan
from vadist.stepping.stepper import Stepper

RATE, FACTOR = 48_000, 8


def guitar_like(seconds: float) -> np.ndarray:
    """Repeated plucks of a few partials, 0.35 V peak."""
    t = np.arange(round(seconds * RATE)) / RATE
    beat = t % 0.6
    picked = np.exp(-4.0 * beat) * (1.0 - np.exp(-600.0 * beat))
    partials = ((110.0, 0.2), (220.5, 0.1), (331.0, 0.08), (663.0, 0.05), (1330.0, 0.02))
    return picked * sum(a * np.sin(2 * np.pi * f * t) for f, a in partials)


def timed(work: Callable[[], object]) -> tuple[float, float, object]:
    """Wall seconds, CPU seconds and the result of some work."""
    wall, cpu = time.perf_counter(), time.process_time()
    result = work()
    return time.perf_counter() - wall, time.process_time() - cpu, result


def scalar_against_lanes(name: str, seconds: float) -> tuple[float, float]:
    """CPU nanoseconds a lane-sample of the one-lane kernel and of the full one.

    Every lane hears another passage, as the segments of a take do: lanes that hear the same would
    need their second Newton steps together, which is cheaper.
    """
    circuit = build_circuit(solve_network(load_design(name).network()), RATE * FACTOR)
    passages = guitar_like(seconds * LANES).reshape(LANES, -1).T
    every = soxr.resample(passages, RATE, RATE * FACTOR, quality="VHQ")
    figures = []
    for lanes in (1, LANES):
        volts = np.ascontiguousarray(every[:, :lanes])
        stepper = Stepper([circuit], lanes)
        stepper.process(volts[:1024])

        def run(stepper: Stepper = stepper, volts: np.ndarray = volts) -> None:
            for first in range(0, len(volts), 1024):
                stepper.process(volts[first : first + 1024])

        cpu = min(timed(run)[1] for _ in range(3))
        figures.append(cpu / volts.size * 1e9)
    return figures[0], figures[1]


@contextmanager
def in_one_lane() -> Iterator[None]:
    """Renders run from the first sample to the last in the one-lane kernel."""
    usual = spans.plan_segments
    spans.plan_segments = lambda frames, *rest: Plan(1, frames, 0)
    try:
        yield
    finally:
        spans.plan_segments = usual


def stiff_solver_seconds(seconds: float) -> float:
    """Scipy's Radau on the one-diode-pair clipper alone, rtol 1e-6: CPU seconds for a take."""
    from scipy.integrate import solve_ivp

    # The circuit of Yeh, Abel, Vladimirescu and Smith, Computer Music Journal 32(2), 2008.
    R, C, Is, Vt = 2.2e3, 10e-9, 2.52e-9, 45.3e-3
    take = 10.0 * guitar_like(seconds)
    times = np.arange(len(take)) / RATE

    def slope(t: float, v: np.ndarray) -> np.ndarray:
        u = np.interp(t, times, take)
        return np.asarray((u - v) / (R * C) - 2.0 * Is / C * np.sinh(v / Vt))

    return timed(
        lambda: solve_ivp(slope, (0.0, times[-1]), [0.0], method="Radau", rtol=1e-6, atol=1e-9)
    )[1]


_LAUNCH = """
import re, sys
from vadist.cli import main
code = main(sys.argv[1:])
# The peak of this program alone: what a parent held before counts in the usual figure.
with open("/proc/self/status") as status:
    print("peak", re.search(r"VmHWM:\\s*(\\d+)", status.read())[1])
sys.exit(code)
"""


def whole_command(takes: Sequence[Path], folder: Path, cache: Path) -> tuple[float, float]:
    """Wall seconds and peak megabytes (Linux) of `vadist render` as a process of its own."""
    command = [sys.executable, "-c", _LAUNCH, "render", *map(str, takes), "--design",
               "boosted_hard_clipper", "--out", str(folder / "out"), "--overwrite"]  # fmt: skip
    environment = {**os.environ, "VADIST_CACHE": str(cache)}
    wall = time.perf_counter()
    done = subprocess.run(command, check=True, env=environment, capture_output=True, text=True)
    return time.perf_counter() - wall, int(done.stdout.split("peak ")[-1]) / 1024.0


def main() -> None:
    """Print every figure."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--seconds", type=float, default=180.0)
    parser.add_argument("--quick", action="store_true", help="short takes, a look at the ratios")
    options = parser.parse_args()
    seconds = 20.0 if options.quick else options.seconds

    print(f"{os.cpu_count()} cores, {FACTOR}x oversampling at {RATE} Hz\n")
    print("kernel, CPU ns a sample and lane      one lane   sixteen lanes   ratio")
    for name in preset_names():
        one, many = scalar_against_lanes(name, 1.0)
        print(f"  {name:<34} {one:8.1f} {many:12.1f} {one / many:11.1f}")

    print(
        f"\none take of {seconds:.0f} s               1 thread   2 threads   x realtime   "
        "x one lane   error"
    )
    take = guitar_like(seconds)
    for name in preset_names():
        design = load_design(name)
        render(design, take[: 2 * RATE], RATE)
        walls, cpus = [], []
        for threads in (1, 2):
            wall, cpu, result = timed(lambda n=threads, d=design: render(d, take, RATE, threads=n))
            walls.append(wall)
            cpus.append(cpu)
        with in_one_lane():
            render(design, take[:RATE], RATE)
            part = take[: len(take) // 6]
            _, alone, _ = timed(lambda d=design, t=part: render(d, t, RATE, threads=1))
        print(
            f"  {name:<25} {walls[0]:8.2f} s {walls[1]:9.2f} s {seconds / walls[1]:10.1f} "
            f"{6.0 * alone / cpus[0]:12.1f} {result.diagnostics.error_db:9.1f} dB"
        )

    count, short = (16, 2.0) if options.quick else (64, 10.0)
    base = load_design("boosted_hard_clipper")
    passage = guitar_like(short)
    with in_one_lane():
        render(base, passage[:4800], RATE)
        alone = count * timed(lambda: render(base, passage, RATE, threads=1))[1]
    print(f"\n{count} candidates of {short:.0f} s; one by one in one lane {alone:.1f} CPU s")
    for path, low, high in (
        ("clipper.shunt_capacitor", 2e-9, 50e-9), ("boost.collector_resistor", 5e3, 15e3)
    ):  # fmt: skip
        designs = [base.with_value(path, float(v)) for v in np.geomspace(low, high, count)]
        render_candidates(designs, passage[:4800], RATE)
        _, together, _ = timed(lambda d=designs: render_candidates(d, passage, RATE))
        print(f"  {path:<28} {together:6.1f} CPU s, ratio {alone / together:.1f}")
    radau = stiff_solver_seconds(0.2) * 5.0
    print(f"scipy Radau (rtol 1e-6) on a diode clipper alone: {radau:.1f} CPU s a second of take")

    import soundfile

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "cache").mkdir()
        for length in (5.0, 60.0, seconds, 1200.0):
            if options.quick and length > seconds:
                break
            path = folder / "take.wav"
            soundfile.write(path, guitar_like(length), RATE, "PCM_24")
            if length == 5.0:
                wall, _ = whole_command([path], folder, folder / "cache")
                print(f"\nwhole command, {length:.0f} s take, nothing compiled yet: {wall:.2f} s")
            wall, peak = whole_command([path], folder, folder / "cache")
            print(f"whole command, {length:.0f} s take, file to file: {wall:.2f} s, "
                  f"peak {peak:.0f} MB")  # fmt: skip
        many = [folder / f"take{k}.wav" for k in range(20)]
        for k, path in enumerate(many):
            soundfile.write(path, guitar_like(5.0 + 0.1 * k), RATE, "PCM_24")
        wall, peak = whole_command(many, folder, folder / "cache")
        print(f"whole command, 20 takes of 5 to 7 s: {wall:.2f} s, peak {peak:.0f} MB")


if __name__ == "__main__":
    main()
