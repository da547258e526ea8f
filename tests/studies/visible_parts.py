"""How far each part, 20 % off, moves what a board puts out; run it with python.

The right board and boards with one resistor or capacitor off are rendered side by side; each is
laid upon the right one as ``check`` does it, with a gain within 3 %, and the error that is left is
printed. What stays below the limit cannot be told by ``check`` at that limit::

    python tests/studies/visible_parts.py [--off 0.2] [--limit-db -40]
"""

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from synthetic_bench import PARTS, PLAYER_HZ, level_sweeps, short_board

from vadist.captures.align import Freedom, align
from vadist.captures.compare import compare
from vadist.captures.waveform import EDGE_S, Waveform, grid_times
from vadist.designs.files import load_design, preset_names
from vadist.rendering.arrays import render_candidates

TOP_HZ = 20e3
FREE = Freedom(delay_s=(-1e-4, 1e-4), sign=1)


def parts_of(design):
    """Paths of every resistor and capacitor."""
    found = []
    for name, stage in design.stages.items():
        for field, info in type(stage).fields().items():
            value = getattr(stage, field)
            if info.unit in ("ohm", "F") and isinstance(value, float) and value > 0.0:
                found.append(f"{name}.{field}")
    return found


def errors_db(design, paths, off, volts):
    """Error-to-signal ratio of every change, by path and factor."""
    changes = [(path, factor) for path in paths for factor in (1.0 - off, 1.0 + off)]
    boards = [design.with_value(path, factor * design.value(path)) for path, factor in changes]
    results = render_candidates([design, *boards], volts, PLAYER_HZ, oversample=8)
    waves = [Waveform(r.volts[:, 0], PLAYER_HZ, TOP_HZ) for r in results]
    t = grid_times(waves[0].seconds, TOP_HZ)
    t = t[(t > EDGE_S) & (t < waves[0].seconds - EDGE_S)]
    found = {}
    for change, wave in zip(changes, waves[1:], strict=True):
        aligned = align(wave, waves[0], FREE, TOP_HZ, (t[0], t[-1]))
        found[change] = compare(wave.at(t), aligned.apply(waves[0], t), t).esr_db
    return found


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--off", type=float, default=0.2)
    parser.add_argument("--limit-db", type=float, default=-40.0)
    options = parser.parse_args()
    volts = level_sweeps()
    cases = [(short_board(), [f"{s}.{p}" for s, parts in PARTS.items() for p in parts])]
    cases += [(design, parts_of(design)) for design in map(load_design, preset_names())]
    for design, paths in cases:
        found = errors_db(design, paths, options.off, volts)
        least = {path: min(v for (p, _), v in found.items() if p == path) for path in paths}
        hidden = {path: level for path, level in least.items() if level <= options.limit_db}
        told = sorted(level for level in least.values() if level > options.limit_db)
        print(
            f"{design.name}: {len(told)} of {len(least)} parts at {options.off:.0%} lie above "
            f"{options.limit_db:g} dB"
            + (f", the nearest at {told[0]:.1f} dB" if told else "")
            + "; hidden: "
            + (", ".join(f"{p} {v:.1f} dB" for p, v in sorted(hidden.items())) or "none"),
            flush=True,
        )


if __name__ == "__main__":
    main()
