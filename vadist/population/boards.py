"""Boards: one design whose numbers differ from specimen to specimen, made when they are asked for.

A board is a :class:`~vadist.designs.design.Design` like any other; ten thousand of them are held,
and sent to other machines, as one design and an array of numbers.
"""

import dataclasses
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, overload

from vadist.arrays import FloatArray
from vadist.designs.design import Design
from vadist.designs.models import is_model_path, model_value
from vadist.designs.settings import settled
from vadist.errors import DesignError
from vadist.stages.stage import Pot


@dataclass(frozen=True, eq=False)
class Boards(Sequence[Design]):
    """Specimens of one design.

    Parameters
    ----------
    design : Design
        Whose other values all boards have.
    paths : tuple of str
        What differs: parts, pots (their track), values inside a part's model, controls,
        ``supply.volts``, ``ambient.temperature``; none twice.
    values : (boards, paths)
        In SI units.

    Raises
    ------
    DesignError
        For an unknown path; for a value that cannot stand there when the board is made.

    Examples
    --------
    >>> import numpy as np
    >>> from vadist import load_design
    >>> boards = Boards(load_design("treble_boost"), ("boost.collector_resistor",),
    ...                 np.array([[4700.0], [5100.0]]))
    >>> [board.value("boost.collector_resistor") for board in boards]
    [4700.0, 5100.0]
    """

    design: Design
    paths: tuple[str, ...]
    values: FloatArray

    def __post_init__(self) -> None:
        for path in self.paths:
            if is_model_path(path):
                model_value(self.design, path)
            else:
                self.design.field_info(path)

    def __len__(self) -> int:
        return len(self.values)

    @overload
    def __getitem__(self, which: int) -> Design: ...

    @overload
    def __getitem__(self, which: slice) -> "Boards": ...

    def __getitem__(self, which: int | slice) -> "Design | Boards":
        if isinstance(which, slice):
            return Boards(self.design, self.paths, self.values[which])
        return with_values(self.design, self.paths, self.values[which].tolist())

    def __iter__(self) -> Iterator[Design]:
        return (self[board] for board in range(len(self)))


def with_values(design: Design, paths: Sequence[str], values: Sequence[float]) -> Design:
    """Return a design with several numbers changed at once.

    As :meth:`Design.with_value` one after the other, in a fraction of the time: a stage is made
    anew once for all its parts.
    """
    stages: dict[str, dict[str, Any]] = {}
    for path, value in zip(paths, values, strict=True):
        owner, _, name = path.partition(".")
        if owner not in design.stages or not name:
            design = design.with_value(path, value)
            continue
        changes = stages.setdefault(owner, {})
        if is_model_path(path):
            place, held = settled(_holding(design, owner, changes), path, value)
            changes[place.partition(".")[2]] = held
        else:
            before = design.stages[owner].value(name)
            changes[name] = dataclasses.replace(before, resistance=value) if isinstance(
                before, Pot) else value  # fmt: skip
    changed = dict(design.stages)
    for owner, changes in stages.items():
        try:
            changed[owner] = changed[owner].with_parts(changes)
        except DesignError as error:
            raise DesignError(f"{owner}: {error}") from None
    return dataclasses.replace(design, stages=changed) if stages else design


def _holding(design: Design, owner: str, changes: dict[str, Any]) -> Design:
    """The design with what of one stage has been changed so far: several values of one model."""
    stage = design.stages[owner].with_parts(changes)
    return dataclasses.replace(design, stages={**design.stages, owner: stage})
