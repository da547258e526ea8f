"""The build sheet of a design, put together."""

from dataclasses import dataclass, replace

from vadist.analysis.chain_response import solve_design
from vadist.analysis.resting import SupplyCurrent, supply_current
from vadist.designs.design import Design
from vadist.drawing import designators, draw_design
from vadist.errors import VadistError
from vadist.sheets.bench import Reading, bench_table
from vadist.sheets.bill import Item, Rated, bill_of_materials, rated
from vadist.sheets.board import board_parts
from vadist.sheets.diagnosis import Diagnosis, diagnose
from vadist.sheets.naming import Names, device_rows
from vadist.sheets.stress import HOT_V, stresses


@dataclass(frozen=True)
class BuildSheet:
    """All that a build sheet tells.

    Attributes
    ----------
    design : Design
    hot_v : float
        Peak of the hot chord at the input.
    names : Names
    parts : tuple of Rated
        In signal order.
    bill : tuple of Item
    devices : tuple of (designator, type, pins)
    readings : tuple of Reading
    current : SupplyCurrent
    diagnosis : Diagnosis
    drawing : str
        SVG of the schematic.
    undrawn : str
        Why there is none.
    """

    design: Design
    hot_v: float
    names: Names
    parts: tuple[Rated, ...]
    bill: tuple[Item, ...]
    devices: tuple[tuple[str, str, str], ...]
    readings: tuple[Reading, ...]
    current: SupplyCurrent
    diagnosis: Diagnosis
    drawing: str
    undrawn: str = ""


def build_sheet(design: Design, hot_v: float = HOT_V) -> BuildSheet:
    """Work out what it takes to build and check one board of a design.

    Parameters
    ----------
    design : Design
        Its knobs as they stand, for the bench; for what parts bear they are turned.
    hot_v : float
        Peak at the input of the hardest playing.

    Raises
    ------
    DesignError, ConvergenceError
        If the design has no point of rest.
    """
    still = design.on_a_still_supply()
    parts = board_parts(still)
    names = Names(designators(design))
    resting, readings = bench_table(still, parts)
    held = [
        replace(each, polarity=resting.network.held(each.polarity))
        for each in rated(still, parts, stresses(still, hot_v))
    ]
    return BuildSheet(
        design,
        hot_v,
        names,
        tuple(held),
        tuple(bill_of_materials(held)),
        tuple(device_rows(parts, names, resting.network.held, still.output)),
        tuple(readings),
        supply_current(solve_design(still)),
        diagnose(still, parts, resting, readings),
        *_drawn(design),
    )


def _drawn(design: Design) -> tuple[str, str]:
    try:
        return draw_design(design), ""
    except VadistError as error:
        return "", str(error)
