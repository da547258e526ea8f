"""Tell the stages a design is made of: schematic, keys, what each takes and what it is for."""

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from vadist.cli.options import add_stages

if TYPE_CHECKING:
    from vadist.stages import Stage
    from vadist.stages.stage import FieldInfo

_TAKES = {
    "pot": "pot, ohm",
    "diode": "diode",
    "diodes": "diode or pair",
    "transistor": "NPN type",
    "jfet": "JFET type",
    "mosfet": "MOSFET type",
    "zener": "Zener type",
    "opamp": "op-amp type",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist stages``."""
    parser.add_argument("names", nargs="*", metavar="NAME", help="tell these in full (all, short)")
    add_stages(parser)
    parser.add_argument("--json", action="store_true", help="print as JSON")


def run(options: argparse.Namespace) -> int:
    """Print the stages that were asked for, or one line on each."""
    import json

    from vadist.designs.block_files import ready_blocks
    from vadist.stages import STAGES
    from vadist.stages.wired import WIRED, WiredStage

    if options.names == [WIRED] and not options.json:
        _print_notation()
        return 0
    blocks = {name: text for name, text in ready_blocks().items() if name not in STAGES}
    if options.names and not options.json and set(options.names) <= set(blocks):
        print("\n".join(blocks[name] for name in options.names), end="")
        return 0
    chosen = [_stage(name) for name in options.names]
    if options.json:
        told = {stage.kind: describe(stage) for stage in chosen or STAGES.values()}
        print(json.dumps(told, indent=2, allow_nan=False))
        return 0
    for number, stage in enumerate(chosen):
        if number:
            print()
        _print(describe(stage), stage.kind)
    if not chosen:
        rows = [(stage.kind, stage.job) for stage in STAGES.values()]
        rows.append((WIRED, WiredStage.job))
        _print_table("", rows)
        print(f'\nBlocks that blocks_from = ["ready"] makes types: {", ".join(blocks)}.')
        print("\n'vadist stages NAME' draws one and tells its keys.")
    return 0


def describe(stage: "type[Stage]") -> dict[str, Any]:
    """What is told of a stage, all of it from its class.

    Returns
    -------
    dict
        ``job``, ``text`` (the docstring with its schematic), ``keys``: of every key what it
        ``takes``, its ``purpose``, whether it is ``optional``, and its ``default`` as written in
        a design (None where the part is then left out); and ``wiring``: of every part its kind
        and where its terminals go, as a wiring list has it.
    """
    import dataclasses
    import inspect

    from vadist.stages.listing import example_of, wiring_of

    defaults = {f.name: f.default for f in dataclasses.fields(stage)}
    keys = {}
    for name, info in stage.fields().items():
        keys[name] = {
            "takes": takes(info),
            "purpose": info.purpose,
            "optional": info.optional,
            "default": _written(defaults[name], info) if info.optional else None,
        }
    text = (inspect.getdoc(stage) or "").replace("::\n\n", "")
    wiring = {
        part.name: f"{part.kind}: {part.connections}" for part in wiring_of(example_of(stage)).parts
    }
    return {"job": stage.job, "text": text, "keys": keys, "wiring": wiring}


def takes(info: "FieldInfo") -> str:
    """What a key takes, in words."""
    if info.kind == "choice":
        return " or ".join(info.choices)
    return info.unit if info.kind == "part" else _TAKES[info.kind]


def _written(value: Any, info: "FieldInfo") -> str | None:
    from vadist.quantities import format_quantity

    if isinstance(value, float):
        return format_quantity(value, info.unit)
    return value if isinstance(value, str) else None


def _stage(name: str) -> "type[Stage]":
    from vadist.designs.block_files import ready_blocks
    from vadist.errors import UsageError
    from vadist.names import nearest
    from vadist.stages import STAGES
    from vadist.stages.wired import WIRED

    if name == WIRED:
        raise UsageError(f"{WIRED} has no keys of its own; 'vadist stages {WIRED}' tells how its "
                         "parts are written")  # fmt: skip
    if name not in STAGES:
        if name in (blocks := ready_blocks()):
            raise UsageError(f"{name!r} is a block, not a stage; 'vadist stages {name}' prints it, "
                             "without stages beside it and without --json")  # fmt: skip
        hint = nearest(name[:80], [*STAGES, *blocks]) or f"; there are {', '.join(STAGES)}"
        raise UsageError(f"there is no stage {name!r}{hint}")
    return STAGES[name]


def _print(told: dict[str, Any], kind: str) -> None:
    print(f"{kind}: {told['job']}\n\n{told['text']}\n")
    rows = []
    for name, key in told["keys"].items():
        may = (
            f"{key['takes']} ({key['default'] or 'optional'})" if key["optional"] else key["takes"]
        )
        rows.append((name, may, key["purpose"]))
    _print_table("key takes what for", rows)
    print()
    _print_table("part wired", list(told["wiring"].items()))


def _print_notation() -> None:
    """Tell how a wiring list is written, from the table of its kinds."""
    from vadist.stages.wired import ENDS, NOWHERE, OUTER_NODES, PART_KINDS, WiredStage

    print(f"""{WiredStage.kind}: {WiredStage.job}

    [[stage]]
    name = "mix"
    type = "wired"
    [stage.parts]
    clean = "resistor 47k: source to output; what it is for"

Every part is a line: its kind, its value, and where each terminal goes. The nodes
{", ".join(OUTER_NODES)} are outside; any other name is a node inside.
""")
    rows = []
    for kind in PART_KINDS.values():
        wires = "NODE to NODE" if kind.terminals == ENDS else ", ".join(
            f"{terminal} to NODE" for terminal in kind.terminals
        )  # fmt: skip
        if not kind.terminals:
            wires = f"common to NODE, up to NODE, down to NODE (or to {NOWHERE})"
        rows.append((f"{kind.word} {kind.example}: {wires}",))
    _print_table("parts", rows)


def _print_table(head: str, rows: Sequence[tuple[str, ...]]) -> None:
    """Columns as wide as they need; the last one wraps within the terminal."""
    from rich.console import Console
    from rich.table import Table

    names = head.split(" ", 2) if head else [""] * len(rows[0])
    table = Table(box=None, pad_edge=False, show_header=bool(head))
    for name in names[:-1]:
        table.add_column(name, no_wrap=True)
    table.add_column(names[-1])
    for row in rows:
        table.add_row(*row)
    Console(highlight=False, markup=False).print(table)
