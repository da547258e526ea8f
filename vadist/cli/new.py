"""Write a commented starter design for a topology, to be edited."""

import argparse
from pathlib import Path

from vadist.errors import UsageError
from vadist.files import write_text_atomically
from vadist.names import printable


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist new``."""
    parser.add_argument("topology", nargs="?", metavar="TOPOLOGY", help="left out: list them")
    parser.add_argument("--out", metavar="FILE", help="TOML file to write (default TOPOLOGY.toml)")


def run(options: argparse.Namespace) -> int:
    """Copy the preset of that topology, comments and all."""
    from vadist.designs.files import load_design, preset_names, preset_path

    if options.topology is None:
        for name in preset_names():
            print(f"{name}: {load_design(name).description}")
        return 0
    text = preset_path(options.topology).read_text(encoding="utf-8")
    target = Path(options.out or f"{options.topology}.toml")
    if target.suffix != ".toml":
        raise UsageError(f"--out {printable(target)}: a design file must end in .toml")
    write_text_atomically(target, text)
    print(f"{printable(target)}  edit its values, then: vadist inspect {printable(target)}")
    return 0
