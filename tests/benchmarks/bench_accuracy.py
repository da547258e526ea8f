"""Error and aliases against time, of this tree and of an earlier one in one run; run by hand.

    git worktree add ../old COMMIT; python -m venv ../venv; ../venv/bin/pip install ../old
    python tests/benchmarks/bench_accuracy.py --before ../venv/bin/python --presets ../old/presets

Designs are the presets of the earlier tree, which both can read. The truth is this tree at 16 times
the default factor. Cost is CPU time a sample of the default rate (8 x 48 kHz) of whole renders of
the four demo takes in a row, the statement of error included; the least of three.
"""

import argparse
import json
import math
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

RATE, SINE_HZ, SINE_FRAMES = 48_000, 4186.0, 12_288
DEMO = Path(__file__).parents[2] / "demo_audio"
TRUTH = 128

WORKER = """
import json, sys, time
import numpy as np
from vadist import load_design, render

job = json.load(open(sys.argv[1]))
takes = np.load(job["takes"])
found = {}
for label, path, drive in job["designs"]:
    design = load_design(path)
    if "drive" in design.controls:
        design = design.with_value("drive", drive)
    for factor in job["factors"]:
        best, volts = float("inf"), None
        for _ in range(job["repeats"]):
            cpu = time.process_time()
            volts = render(design, takes["played"], 48000, oversample=factor).volts[:, 0]
            best = min(best, time.process_time() - cpu)
        sine = render(design, takes["sine"], 48000, oversample=factor).volts[:, 0]
        np.savez(f'{job["out"]}/{label}-{factor}.npz', played=volts, sine=sine, cpu=best)
        print(label, factor, round(best, 2), file=sys.stderr, flush=True)
"""


def takes(folder: Path) -> Path:
    """The demo takes in a row and a hot sine, as one file."""
    import soundfile

    from vadist.measure import coherent_frequency

    played = np.concatenate([soundfile.read(path)[0] for path in sorted(DEMO.glob("*.wav"))])
    hz = coherent_frequency(SINE_HZ, RATE, 4096)
    t = np.arange(SINE_FRAMES) / RATE
    sine = np.sin(2.0 * np.pi * hz * t) * np.clip(t / 0.01, 0.0, 1.0)
    np.savez(folder / "takes.npz", played=played, sine=sine)
    return folder / "takes.npz"


def work(python: str, folder: Path, name: str, designs: list, factors: list, repeats: int) -> None:
    """Render in a tree's own Python."""
    out = folder / name
    out.mkdir()
    job = {
        "takes": str(folder / "takes.npz"), "designs": designs, "factors": factors,
        "repeats": repeats, "out": str(out),
    }  # fmt: skip
    (folder / f"{name}.json").write_text(json.dumps(job))
    subprocess.run([python, "-c", WORKER, str(folder / f"{name}.json")], check=True, cwd=folder)


def decibels(error: np.ndarray, truth: np.ndarray) -> float:
    """Energy of an error over that of a signal about its mean."""
    whole = float(np.sum((truth - truth.mean()) ** 2))
    return 10.0 * math.log10(max(float(np.sum(error**2)) / whole, 1e-30))


def main() -> None:
    """Print the table; draw it if asked."""
    from vadist.measure import alias_power_db, coherent_frequency

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--before", required=True, help="Python of the earlier tree")
    parser.add_argument("--presets", required=True, type=Path, help="its presets")
    parser.add_argument("--only", nargs="*", help="names of presets")
    parser.add_argument("--factors", nargs="*", type=int, default=[8, 16, 32])
    parser.add_argument("--picture", type=Path)
    parser.add_argument("--repeats", type=int, default=3)
    given = parser.parse_args()
    paths = sorted(given.presets.glob("*.toml"))
    names = [p.stem for p in paths if not given.only or p.stem in given.only]
    designs = [
        (f"{name}@{drive:g}", str((given.presets / f"{name}.toml").resolve()), drive)
        for name in names
        for drive in (0.5, 1.0)
    ]
    rows: dict[str, dict[str, list[tuple[float, float, float]]]] = {}
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        frames = len(np.load(takes(folder))["played"])
        work(sys.executable, folder, "truth", designs, [TRUTH], 1)
        trees = {"before": given.before, "now": sys.executable}
        for tree, python in trees.items():
            work(python, folder, tree, designs, given.factors, given.repeats)
        hz = coherent_frequency(SINE_HZ, RATE, 4096)
        print(f"{'design @ drive':34s} {'':6s} " + "".join(f"{f:>7d}x     " for f in given.factors))
        for label, _, _ in designs:
            truth = np.load(folder / "truth" / f"{label}-{TRUTH}.npz")
            for tree in trees:
                found = []
                for factor in given.factors:
                    run = np.load(folder / tree / f"{label}-{factor}.npz")
                    error = decibels(run["played"] - truth["played"], truth["played"])
                    alias = alias_power_db(run["sine"][-8192:-4096], RATE, hz)
                    found.append((error, alias, 1e9 * float(run["cpu"]) / (8 * frames)))
                rows.setdefault(label, {})[tree] = found
                told = "  ".join(f"{e:6.1f} {a:6.1f} {c:5.0f}" for e, a, c in found)
                print(f"{label:34s} {tree:6s} {told}", flush=True)
    print("each: error of the demo takes dB, aliases of 1 V 4186 Hz dB, CPU ns a sample")
    if given.picture:
        draw(rows, given.picture)


def draw(rows: dict[str, dict[str, list[tuple[float, float, float]]]], path: Path) -> None:
    """Error against cost, a line for each design before and now."""
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(figsize=(7.0, 4.2), layout="constrained")
    for tree, colour in (("before", "0.6"), ("now", "tab:blue")):
        for k, trees in enumerate(rows.values()):
            costs = [cost for _, _, cost in trees[tree]]
            errors = [error for error, _, _ in trees[tree]]
            name = tree if k == 0 else None
            axes.plot(costs, errors, "o-", color=colour, markersize=3, linewidth=1, label=name)
    axes.set_xscale("log")
    axes.set_xlabel("CPU ns a sample of 8 x 48 kHz")
    axes.set_ylabel("error of the demo takes, dB")
    axes.legend(frameon=False)
    axes.grid(visible=True, which="both", linewidth=0.3)
    figure.savefig(path, dpi=150)


if __name__ == "__main__":
    main()
