"""Options that the commands for captures share."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vadist.cli.options import add_settings

if TYPE_CHECKING:
    from vadist.captures.capture import Capture, Reading
    from vadist.captures.check import CheckSettings
    from vadist.designs.design import Design

# Option -> (metavar, help); what is given is read by vadist.captures.options.
READING = {
    "full-scale": ("LEVEL", "peak volts of a full-scale sample of an audio file"),
    "rate": ("HZ", "sample rate, instead of what the file tells"),
    "units": ("U,U,...", "unit of every column in order, as s,V,mV"),
    "delimiter": ("WORD", "comma, semicolon, tab or space"),
    "decimal": ("WORD", "point or comma"),
    "probe": ("FACTOR", "factor not yet in the file: 10, or CH1=1,CH2=10"),
    "zero": ("VOLTS", "volts to take off: 5mV, or CH2=5mV"),
}
SETTINGS = {
    "output-channel": ("NAME|N", "the board's output, if it is not plain"),
    "input-channel": ("NAME|N", "the board's input, if it is not plain"),
    "band": ("HZ", "top of the band compared (default 20kHz)"),
    "coupling": ("WORD|HZ", "of the output's probe: dc, ac (5 Hz) or a corner (default dc)"),
    "settle": ("S", "time at the start that does not count"),
    "harmonics": ("N", "highest order compared (default 10)"),
    "oversample": ("N", "factor of the render; default: as the limits need"),
    "gain": ("SHARE", "how far the gain may be off (default 3%%); 0 holds it"),
    "offset": ("VOLTS", "how far the zero may be off (default 20mV)"),
    "clock": ("PPM", "how far generator and oscilloscope may differ (default 500)"),
    "delay": ("S", "longest delay looked for, either way"),
    "sign": (
        "WORD",
        "polarity: same, inverted or either; check wants same unless told, fit takes either",
    ),
}
FLAGS = {
    "keep-input-dc": "drive the model with the input's DC too",
    "allow-clipped": "compare a channel that the recording clipped",
}


def add_capture_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what drove the board, and how files are read and compared."""
    parser.add_argument(
        "--input", metavar="FILE",
        help="what drove the board: a stimulus with its sidecar, or a capture; default: the "
        "capture's own input channel",
    )  # fmt: skip
    add_settings(parser)
    reading = parser.add_argument_group("reading the capture")
    comparing = parser.add_argument_group("comparing")
    for group, table in ((reading, READING), (comparing, SETTINGS)):
        for name, (metavar, text) in table.items():
            group.add_argument(f"--{name}", metavar=metavar, help=text)
    for name, text in FLAGS.items():
        comparing.add_argument(f"--{name}", action="store_true", help=text)


def given(options: argparse.Namespace, names: dict[str, Any]) -> dict[str, Any]:
    """Options a person gave, by their key in suite files."""
    keys = [name.replace("-", "_") for name in names]
    return {
        key: getattr(options, key) for key in keys if getattr(options, key) not in (None, False)
    }


def inputs(options: argparse.Namespace) -> list[Path]:
    """Every file that a command for captures reads."""
    from vadist.captures.sidecar import sidecar_of
    from vadist.designs.files import preset_names, preset_path

    found = [Path(options.capture)]
    if options.design:
        preset = options.design in preset_names()
        found.append(preset_path(options.design) if preset else Path(options.design))
    if options.input:
        found += [Path(options.input), sidecar_of(Path(options.input))]
    return found


def read_bench(
    options: argparse.Namespace,
) -> tuple["Capture", "Capture | None", "Design", "CheckSettings"]:
    """Capture, what drove the board, design and settings."""
    from vadist.captures.options import reading_from, settings_from
    from vadist.captures.reading import read_capture
    from vadist.captures.suite import read_source
    from vadist.designs.files import apply_settings, load_design

    reading: Reading = reading_from(given(options, READING))
    settings = settings_from(given(options, {**SETTINGS, **FLAGS}))
    design = apply_settings(load_design(options.design), options.settings)
    capture = read_capture(options.capture, reading)
    source = None if options.input is None else read_source(options.input, reading)
    return capture, source, design, settings
