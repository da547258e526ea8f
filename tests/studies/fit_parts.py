"""Fit the part library to the points of its data sheets and print the residuals.

python tests/studies/fit_parts.py [NAME...]
python tests/studies/fit_parts.py --write    also writes vadist/parts/fitted.json
"""

import json
import math
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from part_fits import FITTED, Residual, entry, fit, sheet_parts


def main(words: list[str]) -> None:
    """Print each fit, and write them all."""
    wanted = [word for word in words if word != "--write"]
    entries: dict[str, dict] = {}
    for kind, parts in sheet_parts().items():
        entries[kind] = {}
        for name, part in parts.items():
            if wanted and name not in wanted:
                continue
            numbers, residuals = fit(kind, part)
            tell(name, numbers, residuals)
            entries[kind][name] = entry(kind, part, numbers, residuals)
    if "--write" in words and not wanted:
        FITTED.write_text(written(entries), encoding="utf-8")


def written(entries: dict[str, dict]) -> str:
    """JSON with a line for each thing told of a part."""
    kinds = []
    for kind, parts in entries.items():
        lines = []
        for name, told in parts.items():
            inner = ",\n".join(f"   {json.dumps(k)}: {json.dumps(v, allow_nan=False)}"
                               for k, v in told.items())  # fmt: skip
            lines.append(f"  {json.dumps(name)}: {{\n{inner}\n  }}")
        kinds.append(f" {json.dumps(kind)}: {{\n" + ",\n".join(lines) + "\n }")
    return "{\n" + ",\n".join(kinds) + "\n}\n"


def tell(name: str, numbers: dict, residuals: list[Residual]) -> None:
    """Print a model and its residuals."""
    print(name, ", ".join(f"{k} {v:.4g}" for k, v in numbers.items() if math.isfinite(v)))
    for r in residuals:
        p = r.point
        at = ", ".join(f"{k} {p[k]:g}" for k in p if k.endswith(("_a", "_v")))
        off = f"{1e3 * r.off:+.1f} mV" if r.is_volts else f"{100.0 * r.off:+.1f} %"
        limits = " ".join(f"{k} {p[k]:g}" for k in ("min", "typ", "max") if k in p)
        print(f"  {p['of']:8} {at}: aim {r.aim:.4g}, fitted {r.found:.4g} ({off})")
        whose = f" of the {p['borrowed']}" if "borrowed" in p else ""
        print(f"           {limits}{whose}; {p['sheet']}")


if __name__ == "__main__":
    main(sys.argv[1:])
