"""Tables of an inspection that concern the whole, for a terminal."""

import math
from collections.abc import Sequence

from rich import box
from rich.console import Group
from rich.table import Table
from rich.text import Text

from vadist.analysis.loops import HIGHEST_HZ, Loop
from vadist.inspection.whole import Rows, absence_rows, loop_rows
from vadist.inspection.without import Absence
from vadist.quantities import format_quantity


def table_of(told: Rows) -> Table:
    """Return a table, its first column flush left."""
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1))
    for k, column in enumerate(told.headings):
        table.add_column(column, justify="left" if k == 0 else "right")
    for row in told.rows:
        table.add_row(*row)
    return table


def absences_table(absences: Sequence[Absence]) -> Group:
    """Return the whole without each block, and which cannot be left out."""
    problems = [f"{a.stage} cannot be left out: {a.problem}" for a in absences if a.problem]
    return Group(table_of(absence_rows(absences)), Text("\n".join(problems)))


def loops_table(loops: Sequence[Loop]) -> Group:
    """Return the feedback loops."""
    note = f"-: nowhere up to {format_quantity(HIGHEST_HZ, 'Hz', 1)}, as far as the models go."
    open_ended = any(math.isinf(loop.crossing_hz) for loop in loops)
    return Group(table_of(loop_rows(loops)), Text(note if open_ended else ""))
