"""List the part library, each part with its figures and their source."""

import argparse
from typing import Any


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist parts``."""
    parser.add_argument("--json", action="store_true", help="print as JSON")


def run(options: argparse.Namespace) -> int:
    """Print the library."""
    import json

    from vadist.parts import DIODES, OPAMPS, TAPERS, TRANSISTORS

    kinds: dict[str, list[Any]] = {
        "diodes": list(DIODES.values()),
        "transistors": list(TRANSISTORS.values()),
        "op-amps": list(OPAMPS.values()),
    }
    if options.json:
        data: dict[str, Any] = {kind: [_plain(m) for m in models] for kind, models in kinds.items()}
        data["tapers"] = dict(TAPERS)
        print(json.dumps(data, indent=2, allow_nan=False))
        return 0
    _print(kinds, TAPERS)
    return 0


def _plain(model: Any) -> dict[str, Any]:
    import dataclasses
    import math

    values = dataclasses.asdict(model)
    return {
        key: None if isinstance(value, float) and math.isinf(value) else value
        for key, value in values.items()
    }


def _print(kinds: dict[str, list[Any]], tapers: dict[str, float]) -> None:
    from rich.console import Console
    from rich.text import Text

    out = Console(highlight=False)
    for kind, models in kinds.items():
        out.print(Text(kind, style="bold"))
        for model in models:
            for line in Text(f"{model.name}  {_figures(model)}").wrap(out, out.width - 2):
                out.print(Text("  ").append_text(line))
            for line in Text(model.source, style="dim").wrap(out, out.width - 6):
                out.print(Text("      ").append_text(line))
    out.print(Text("pot tapers", style="bold"))
    for name, half in tapers.items():
        out.print(Text(f"  {name}  {half:.0%} of the track below the wiper at half rotation"))


def _figures(model: Any) -> str:
    """Return the figures of a model, with their units."""
    from vadist.parts import DiodeModel, OpAmpModel
    from vadist.quantities import format_quantity

    def q(value: float, unit: str) -> str:
        return format_quantity(value, unit)

    if isinstance(model, DiodeModel):
        return (
            f"{model.family}, Is {q(model.saturation_current_a, 'A')}, "
            f"n {model.emission_coefficient:g}, Rs {q(model.series_resistance_ohm, 'ohm')}"
        )
    if isinstance(model, OpAmpModel):
        return (
            f"GBW {q(model.gain_bandwidth_hz, 'Hz')}, SR {model.slew_rate_v_per_s / 1e6:g} V/us, "
            f"swing to {model.headroom_low_v:g} V and {model.headroom_high_v:g} V from the rails, "
            f"{q(model.voltage_noise_v_rthz, 'V/rtHz')}, "
            f"{q(model.current_noise_a_rthz, 'A/rtHz')}, "
            f"{q(model.supply_current_a, 'A')}"
        )
    return (
        f"NPN, Is {q(model.saturation_current_a, 'A')}, beta {model.forward_beta:g}, "
        f"reverse beta {model.reverse_beta:g}, Early {model.early_voltage_v:g} V, "
        f"leakage {q(model.emitter_leakage_a, 'A')} and {q(model.collector_leakage_a, 'A')}, "
        f"knee {model.knee_current_a * 1e3:g} mA, Rb {q(model.base_resistance_ohm, 'ohm')}"
    )
