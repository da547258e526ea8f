"""Fit the part library's diodes and transistors to the sheet points and print the residuals.

python tests/studies/fit_parts.py [NAME...]
"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from part_fits import Residual, fit_diode, fit_transistor, sheet_points

from vadist.parts import DiodeModel, TransistorModel


def main(wanted: list[str]) -> None:
    """Print each fit."""
    points = sheet_points()
    for name, part in points["transistor"].items():
        if not wanted or name in wanted:
            tell(*fit_transistor(part))
    for name, part in points["diode"].items():
        if not wanted or name in wanted:
            tell(*fit_diode(part))


def tell(model: TransistorModel | DiodeModel, residuals: list[Residual]) -> None:
    """Print a model and its residuals."""
    print(f"{model}")
    for r in residuals:
        p = r.point
        at = ", ".join(f"{k} {p[k]:g}" for k in p if k.endswith(("_a", "_v")))
        off = f"{1e3 * r.off:+.1f} mV" if r.is_volts else f"{100.0 * r.off:+.1f} %"
        limits = " ".join(f"{k} {p[k]:g}" for k in ("min", "typ", "max") if k in p)
        print(f"  {p.get('of', 'vf'):8} {at}: aim {r.aim:.4g}, fitted {r.found:.4g} ({off})")
        whose = f" of the {p['borrowed']}" if "borrowed" in p else ""
        print(f"           {limits}{whose}; {p['sheet']}")


if __name__ == "__main__":
    main(sys.argv[1:])
