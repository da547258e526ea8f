"""List the part library, each part with its figures and their source."""

import argparse
from collections.abc import Mapping
from typing import Any


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist parts``."""
    parser.add_argument("--json", action="store_true", help="print as JSON")


def run(options: argparse.Namespace) -> int:
    """Print the library."""
    import json

    from vadist.parts import LIBRARY, TAPERS

    if options.json:
        data: dict[str, Any] = {
            kind: [_plain(model) for model in models.values()] for kind, models in LIBRARY.items()
        }
        data["tapers"] = dict(TAPERS)
        print(json.dumps(data, indent=2, allow_nan=False))
        return 0
    _print(LIBRARY, TAPERS)
    return 0


def _plain(model: Any) -> dict[str, Any]:
    import dataclasses
    import math

    values = dataclasses.asdict(model)
    return {
        key: None if isinstance(value, float) and math.isinf(value) else value
        for key, value in values.items()
    }


def _print(library: Mapping[str, Mapping[str, Any]], tapers: dict[str, float]) -> None:
    from rich.console import Console
    from rich.text import Text

    out = Console(highlight=False)
    for kind, models in library.items():
        out.print(Text(kind, style="bold"))
        for model in models.values():
            for line in Text(f"{model.name}  {model.figures}").wrap(out, out.width - 2):
                out.print(Text("  ").append_text(line))
            for line in Text(model.source, style="dim").wrap(out, out.width - 6):
                out.print(Text("      ").append_text(line))
    out.print(Text("pot tapers", style="bold"))
    for name, half in tapers.items():
        out.print(Text(f"  {name}  {half:.0%} of the track below the wiper at half rotation"))
