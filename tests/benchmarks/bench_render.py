"""How fast a render is, with its accuracy beside it; run by hand, never as a test.

    python tests/benchmarks/bench_render.py [--seconds 180] [--quick]

Everything is measured in one run on one machine, so ratios hold even where the machine is noisy:
they carry over to another processor, times do not. CPU seconds count the work of all threads; wall
seconds are what a person waits. Takes are *made*, plucks of five partials, and *played*, the
project's demo takes in a row; the made ones need fewer Newton steps and flatter.
"""

import argparse
import os
import platform
import re
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
from vadist.quantities import thermal_voltage
from vadist.rendering import spans
from vadist.rendering.arrays import render, render_candidates
from vadist.stepping.batch import LANES
from vadist.stepping.circuit import build_circuit
from vadist.stepping.paces import usual_pace
from vadist.stepping.plan import Plan
from vadist.stepping.stepper import Stepper

RATE, FACTOR = 48_000, 8
DEMO = Path(__file__).parents[2] / "demo_audio"


def guitar_like(seconds: float) -> np.ndarray:
    """Repeated plucks of a few partials, 0.35 V peak."""
    t = np.arange(round(seconds * RATE)) / RATE
    beat = t % 0.6
    picked = np.exp(-4.0 * beat) * (1.0 - np.exp(-600.0 * beat))
    partials = ((110.0, 0.2), (220.5, 0.1), (331.0, 0.08), (663.0, 0.05), (1330.0, 0.02))
    return picked * sum(a * np.sin(2 * np.pi * f * t) for f, a in partials)


def played(seconds: float) -> np.ndarray:
    """The demo takes in a row, again and again, 0.38 to 0.47 V peak."""
    import soundfile

    takes = [soundfile.read(path)[0] for path in sorted(DEMO.glob("*.wav"))]
    return np.resize(np.concatenate(takes), round(seconds * RATE))


TAKES = {"made": guitar_like, "played": played}


def processor() -> str:
    """Return the processor's name, as Linux or else Python knows it."""
    try:
        found = re.search(r"model name\s*: (.*)", Path("/proc/cpuinfo").read_text())
    except OSError:
        found = None
    return found[1] if found else platform.processor() or platform.machine()


def timed(work: Callable[[], object]) -> tuple[float, float, object]:
    """Wall seconds, CPU seconds and the result of some work."""
    wall, cpu = time.perf_counter(), time.process_time()
    result = work()
    return time.perf_counter() - wall, time.process_time() - cpu, result


def scalar_against_lanes(
    name: str, take: Callable[[float], np.ndarray], seconds: float
) -> tuple[float, float]:
    """CPU nanoseconds a lane-sample of the one-lane kernel and of the full one.

    Every lane hears another passage, as the segments of a take do: lanes that hear the same would
    need their second Newton steps together, which is cheaper.
    """
    network = solve_network(load_design(name).network())
    circuit = build_circuit(network, RATE * FACTOR, (), usual_pace)
    passages = take(seconds * LANES).reshape(LANES, -1).T
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


def whole_take(name: str, kind: str, take: np.ndarray) -> None:
    """Print how long a take needs, with one thread, with two, and against one lane."""
    design, seconds = load_design(name), len(take) / RATE
    render(design, take[: 2 * RATE], RATE)
    walls, cpus = [], []
    for threads in (1, 2):
        wall, cpu, result = timed(lambda n=threads: render(design, take, RATE, threads=n))
        walls.append(wall)
        cpus.append(cpu)
    with in_one_lane():
        render(design, take[:RATE], RATE)
        part = take[: len(take) // 6]
        _, alone, _ = timed(lambda: render(design, part, RATE, threads=1))
    found = result.diagnostics
    steps = " ".join(f"{section.newton_steps:.2f}" for section in found.sections)
    print(
        f"  {name:<25}  {kind:<6} {walls[0]:8.2f} s {walls[1]:9.2f} s {seconds / walls[1]:10.1f} "
        f"{6.0 * alone / cpus[0]:12.1f}   {steps:<25} {found.error_db:7.1f} dB"
    )


def stiff_solver_seconds(seconds: float) -> float:
    """Scipy's Radau on the boosted hard clipper's clipper alone, rtol 1e-6: CPU s for a take."""
    from scipy.integrate import solve_ivp

    clipper = load_design("boosted_hard_clipper").stages["clipper"]
    R, C, diode = clipper.series_resistor, clipper.shunt_capacitor, clipper.diodes.forward
    Is, Vt = diode.saturation_current_a, diode.slope_v(thermal_voltage())
    take = 10.0 * guitar_like(seconds)
    times = np.arange(len(take)) / RATE

    def slope(t: float, v: np.ndarray) -> np.ndarray:
        u = np.interp(t, times, take)
        return np.asarray((u - v) / (R * C) - 2.0 * Is / C * np.sinh(v / Vt))

    return timed(
        lambda: solve_ivp(slope, (0.0, times[-1]), [0.0], method="Radau", rtol=1e-6, atol=1e-9)
    )[1]


def sweeps(kind: str, passage: np.ndarray, count: int) -> None:
    """Print what candidates cost together, against one by one in one lane."""
    base, seconds = load_design("boosted_hard_clipper"), len(passage) / RATE
    with in_one_lane():
        render(base, passage[:4800], RATE)
        alone = count * timed(lambda: render(base, passage, RATE, threads=1))[1]
    print(f"\n{count} candidates of {seconds:.0f} s, {kind}; alone in one lane {alone:.1f} CPU s")
    for path, low, high in (
        ("clipper.shunt_capacitor", 2e-9, 50e-9), ("boost.collector_resistor", 5e3, 15e3)
    ):  # fmt: skip
        designs = [base.with_value(path, float(v)) for v in np.geomspace(low, high, count)]
        render_candidates(designs, passage[:4800], RATE)
        _, together, _ = timed(lambda d=designs: render_candidates(d, passage, RATE))
        print(f"  {path:<28} {together:6.1f} CPU s, ratio {alone / together:.1f}")


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

    print(f"{processor()}, {os.cpu_count()} cores; {FACTOR}x oversampling at {RATE} Hz")
    print("ratios carry over to other processors, times do not\n")
    print("kernel, CPU ns a sample and lane      take     one lane   sixteen lanes   ratio")
    for name in preset_names():
        for kind, take in TAKES.items():
            one, many = scalar_against_lanes(name, take, 0.2 if options.quick else 1.0)
            print(f"  {name:<34}  {kind:<6} {one:10.1f} {many:12.1f} {one / many:11.1f}")

    print(
        f"\none take of {seconds:3.0f} s           take     1 thread   2 threads   x realtime   "
        "x one lane   steps of each section       error"
    )
    for name in preset_names():
        for kind, take in TAKES.items():
            whole_take(name, kind, take(seconds))

    count, short = (16, 2.0) if options.quick else (64, 10.0)
    for kind, take in TAKES.items():
        sweeps(kind, take(short), count)
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
            for kind, take in TAKES.items():
                soundfile.write(path, take(length), RATE, "PCM_24")
                if not any((folder / "cache").iterdir()):
                    wall, _ = whole_command([path], folder, folder / "cache")
                    print(f"\nwhole command, {length:.0f} s, nothing compiled yet: {wall:.2f} s")
                wall, peak = whole_command([path], folder, folder / "cache")
                print(f"whole command, {length:.0f} s, {kind}, file to file: {wall:.2f} s, "
                      f"peak {peak:.0f} MB")  # fmt: skip
        many = [folder / f"take{k}.wav" for k in range(20)]
        for kind, take in TAKES.items():
            for k, path in enumerate(many):
                soundfile.write(path, take(5.0 + 0.1 * k), RATE, "PCM_24")
            wall, peak = whole_command(many, folder, folder / "cache")
            print(f"whole command, 20 takes of 5 to 7 s, {kind}: {wall:.2f} s, peak {peak:.0f} MB")


if __name__ == "__main__":
    main()
