"""Make a test signal for the bench: WAV or CSV, with a sidecar that describes it."""

import argparse

from vadist.errors import UsageError
from vadist.names import printable

KINDS = ("stepped-sines", "level-ramp", "sweep", "two-tone", "square", "guitar")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist stimulus``."""
    parser.add_argument("kind", choices=KINDS, metavar="KIND", help=", ".join(KINDS))
    parser.add_argument("--out", required=True, metavar="FILE", help=".wav or .csv")
    parser.add_argument(
        "--peak", default="100mV", metavar="LEVEL", help="peak volts at the board (default 100mV)"
    )
    parser.add_argument(
        "--full-scale", metavar="LEVEL",
        help="peak volts of a full-scale sample of the player (default: twice the peak)",
    )  # fmt: skip
    parser.add_argument("--rate", default="48kHz", metavar="HZ", help="default 48kHz")
    parser.add_argument(
        "--seconds", metavar="TIME", help="length of the body, 2 or 1:30; of each tone when stepped"
    )
    parser.add_argument(
        "--frequencies", metavar="HZ,HZ", help="tones; the two ends of a sweep; the pair"
    )
    parser.add_argument("--overwrite", action="store_true", help="replace existing files")


def run(options: argparse.Namespace) -> int:
    """Write the files and say what must be set at the bench."""
    from vadist.captures.stimulus import CAUTION, make_stimulus
    from vadist.captures.stimulus_files import write_stimulus
    from vadist.quantities import parse_level, parse_quantity

    rate = parse_quantity(options.rate, "Hz")
    if rate != int(rate):
        raise UsageError(f"--rate must be whole hertz (got {options.rate!r})")
    tones = options.frequencies
    stimulus = make_stimulus(
        options.kind,
        peak_v=parse_level(options.peak),
        sample_rate_hz=int(rate),
        seconds=None if options.seconds is None else parse_quantity(options.seconds, "s"),
        frequencies_hz=None
        if tones is None
        else [parse_quantity(t, "Hz") for t in tones.split(",")],
    )
    full_scale = None if options.full_scale is None else parse_level(options.full_scale)
    file, sidecar = write_stimulus(stimulus, options.out, full_scale, overwrite=options.overwrite)
    full_scale = 2.0 * stimulus.peak_v if full_scale is None else full_scale
    seconds = len(stimulus.volts) / stimulus.sample_rate_hz
    print(f"{printable(file)}  {stimulus.kind}, {seconds:.3f} s, peak {stimulus.peak_v:.4g} V")
    if file.suffix.lower() == ".wav":
        print(f"set the player so that a full-scale sample is {full_scale:.4g} V peak at the board")
    print(f"{printable(sidecar)}  describes it; keep it beside the file")
    print(CAUTION)
    return 0
