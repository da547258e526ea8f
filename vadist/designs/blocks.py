"""Blocks of one's own: wiring lists in a design file, each part a line.

A list is checked as a whole once its lines can be read: a node that leads nowhere, an output that
the source never reaches, and, on the stage alone, what the network itself would refuse.
"""

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from vadist.circuits.network import INPUT, Network
from vadist.circuits.nodes import join_wires, with_leakage
from vadist.circuits.sections import split_into_sections
from vadist.designs.faults import NAME, NAME_RULE, Faults
from vadist.designs.wiring_list import read_line, warn_of_line
from vadist.designs.words import shown
from vadist.errors import DesignError
from vadist.stages import STAGES
from vadist.stages.wired import (
    NOWHERE,
    OUTER_NODES,
    OUTPUT,
    RAILS,
    SOURCE,
    WIRED,
    Part,
    WiredStage,
    Wiring,
)

MOST_PARTS = 200
"""A block with more is no block."""


@dataclass(frozen=True)
class Block:
    """A block that stages use by its name; None where its list is at fault."""

    stage: WiredStage | None


def read_blocks(raw: object, faults: Faults) -> dict[str, Block]:
    """Read the table of blocks, ``[block.NAME]`` with ``parts`` and, if wanted, a ``job``."""
    if not isinstance(raw, Mapping):
        faults.add(f"block must be written as [block.NAME] (got {shown(raw)})")
        return {}
    found = {}
    for name, table in raw.items():
        inside = faults.within(f"block {shown(name)}")
        if not NAME.fullmatch(name):
            inside.add(f"name {NAME_RULE}")
        elif name == WIRED or name in STAGES:
            inside.add("name is that of a type which is there already")
        if not isinstance(table, Mapping):
            inside.add(f"must be a table (got {shown(table)})")
            found[name] = Block(None)
            continue
        inside.reject_unknown(table, ("job", "parts"), "key of a block")
        job = table.get("job", "")
        if not isinstance(job, str):
            inside.add(f"job must be a text (got {shown(job)})")
            job = ""
        found[name] = Block(read_parts(table.get("parts"), inside, name, job))
    return found


def read_parts(raw: object, faults: Faults, name: str = WIRED, job: str = "") -> WiredStage | None:
    """Read a wiring list; None where faults were noted."""
    if not isinstance(raw, Mapping) or not raw:
        got = "" if raw is None else f" (got {shown(raw)})"
        faults.add(f'lacks its parts, a table of lines such as r1 = "resistor 4k7: ..."{got}')
        return None
    if len(raw) > MOST_PARTS:
        faults.add(f"has more than {MOST_PARTS} parts; divide it into several stages")
        return None
    before, parts, held = len(faults.lines), [], {}
    for key, line in raw.items():
        read = read_line(key, line, faults.within(shown(key)[1:-1]))
        if read is not None:
            parts.append(read[0])
            held[key] = read[1]
    if len(faults.lines) > before:
        return None
    wiring = Wiring(tuple(parts), name, job)
    stage = faults.attempt(lambda: WiredStage(wiring=wiring, held=held))
    for told in _structure(parts):
        faults.add(told)
    if stage is None:
        return None
    for told in _refused(stage):
        if not any(f"only {told.partition(':')[0]}'s" in line for line in faults.lines[before:]):
            faults.add(told)
    if len(faults.lines) > before:
        return None
    for part in parts:
        warn_of_line(part, raw[part.name], held[part.name], f"{faults.place}: {part.name}")
    return stage


def _structure(parts: list[Part]) -> list[str]:
    """What is wrong with the list as a drawing, whatever its values."""
    used: dict[str, list[str]] = {}
    for part in parts:
        for terminal, node in part.terminals:
            named = (
                f"{part.name}'s {terminal}" if " " not in terminal else f"one end of {part.name}"
            )
            used.setdefault(node, []).append(named)
    faults = []
    for node, ends in used.items():
        if len(ends) == 1 and node not in (*OUTER_NODES, NOWHERE):
            others = [other for other in (*OUTER_NODES, *used) if other not in (node, NOWHERE)]
            close = difflib.get_close_matches(node, others, n=1, cutoff=0.6)
            hint = f"; did you mean {close[0]!r}?" if close else ""
            faults.append(f"node {node!r} leads nowhere: only {ends[0]} is there{hint}")
    if OUTPUT not in used:
        faults.append("no part goes to the node 'output'")
    elif SOURCE not in used:
        faults.append("no part goes to the node 'source'")
    elif OUTPUT not in _reached(parts):
        faults.append("no way leads from 'source' to 'output' but over the rails")
    return faults


def _reached(parts: list[Part]) -> set[str]:
    """Nodes that parts lead to from the source; rails lead nowhere."""
    reached, grown = set[str](), {SOURCE}
    while grown != reached:
        reached = set(grown)
        for part in parts:
            ends = set(part.nodes) - {*RAILS, NOWHERE}
            if ends & reached:
                grown |= ends
    return reached


def _refused(stage: WiredStage) -> list[str]:
    """What the network refuses of the stage alone, between a source and a load."""
    network = Network(stage="stage")
    network.resistor("fed", INPUT, "stage.source", 1e3)
    network.resistor("load", "stage.output", "ground", 1e6)
    try:
        stage.wire(network, "stage.source", "stage.output")
        split_into_sections(with_leakage(join_wires(network, ["stage.source", "stage.output"])))
    except DesignError as error:
        return [line.replace("stage.", "") for line in str(error).split("\n")]
    return []


def block_table(stage: WiredStage) -> dict[str, Any]:
    """Lines of a stage's list by part, as they are written."""
    from vadist.designs.wiring_list import write_line

    return {part.name: write_line(part, stage.held[part.name]) for part in stage.wiring.parts}
