"""Which values a choice is made among: lists of values at places of a design."""

import math
import re
import warnings
from collections.abc import Sequence
from typing import Any

from vadist.designs.design import Design
from vadist.designs.trials import Trial, read_trial
from vadist.designs.values import typed_value
from vadist.errors import DesignError, DesignWarning, UsageError
from vadist.quantities import neighbours, preferred_values
from vadist.questions.choose_search import Place

WITHIN = "0.1x..10x"
"""How far a part may leave its value unless told otherwise: a decade either way."""

SERIES = {"ohm": "E24", "F": "E12", "H": "E12"}
"""What parts are commonly sold in (common practice, no published source)."""

_WITHIN = re.compile(r"\s*([0-9.]+)\s*x\s*\.\.\s*([0-9.]+)\s*x\s*")
_ROUNDING = 1e-9


def read_lists(
    design: Design, texts: Sequence[str], series: str | None = None, within: str = WITHIN
) -> list[Trial]:
    """Read what may vary.

    Parameters
    ----------
    design : Design
    texts : sequence of str
        Parts, separated by commas, that take preferred values; or ``path=...`` with values as
        :func:`~vadist.designs.trials.read_trial` reads them, the one that is held among them
        where a range or all types are asked for.
    series : str, optional
        ``E3`` to ``E192`` for every part; by default E24 for resistors and E12 for others.
    within : str
        Shares of its value between which a part may go.

    Raises
    ------
    DesignError, UsageError
        One line for each text that cannot be used.

    Examples
    --------
    >>> from vadist import load_design
    >>> design = load_design("boosted_hard_clipper")
    >>> [t.texts for t in read_lists(design, ["clipper.shunt_capacitor"], "E6", "0.5x..2x")]
    [('10n', '15n', '22n')]
    """
    if series is not None:
        preferred_values(series)
    low, high = _shares(within)
    lists: list[Trial] = []
    faults: list[str] = []
    for text in texts:
        named = [text] if "=" in text else text.split(",")
        for each in named:
            try:
                if "=" in each:
                    lists.append(read_trial(design, each, series, held=True))
                else:
                    lists.append(_ladder(design, each.strip(), series, low, high))
            except DesignError as error:
                faults.append(str(error))
    if faults:
        raise DesignError("\n".join(faults))
    paths = [trial.path for trial in lists]
    for path in paths:
        if paths.count(path) > 1:
            raise UsageError(f"{path}: is to vary twice; name it once")
    if not lists:
        raise UsageError("name what may vary, like boost.input_capacitor,boost.base_resistor")
    return lists


def with_place(design: Design, lists: Sequence[Trial], place: Place) -> Design:
    """Put the values of a place into a design."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DesignWarning)
        for trial, k in zip(lists, place, strict=True):
            design = design.with_value(trial.path, trial.values[k])
    return design


def changes_of(lists: Sequence[Trial], place: Place) -> tuple[tuple[str, str], ...]:
    """Paths and values of a place, as ``--set`` takes them."""
    return tuple((t.path, t.texts[k]) for t, k in zip(lists, place, strict=True))


def _shares(within: str) -> tuple[float, float]:
    matched = _WITHIN.fullmatch(within)
    try:
        low, high = (float(end) for end in matched.groups()) if matched else (math.nan, math.nan)
    except ValueError:
        low = high = math.nan
    if not (0.0 < low <= 1.0 <= high <= 1e6 and low < high):
        raise UsageError(
            f"how far parts may go is written {WITHIN}, around 1x (got {within.strip()!r})"
        )
    return low, high


def _ladder(design: Design, path: str, series: str | None, low: float, high: float) -> Trial:
    """Preferred values of a part between two shares of what it has."""
    info, held = design.field_info(path), design.value(path)
    if info.kind != "part":
        raise DesignError(
            f"{path} is no resistor, capacitor or inductor: give its values, like {path}="
            f"{_hint(info.kind)}"
        )
    if not held:
        raise DesignError(f"{path} is left out or zero, so preferred values have no place to start")
    chosen = series or SERIES[info.unit]
    most = math.ceil(math.log10(max(high, 1.0 / low)) * len(preferred_values(chosen))) + 1
    values = [
        value
        for value in neighbours(held, chosen, most)
        if low * held * (1.0 - _ROUNDING) <= value <= high * held * (1.0 + _ROUNDING)
        and _possible(design, path, value)
    ]
    if not values:
        raise DesignError(f"{path}: {chosen} has no value within so little of {held:g}")
    return Trial(path, tuple(typed_value(info, v) for v in values), tuple(values))


def _hint(kind: str) -> str:
    return {"position": "0..1:11", "pot": "50k,100k,250k", "choice": "one,other"}.get(kind, "*")


def _possible(design: Design, path: str, value: Any) -> bool:
    """Whether a design bears a value; beyond what is sold or senseful it does not."""
    try:
        with_place(design, [Trial(path, ("",), (value,))], (0,))
    except DesignError:
        return False
    return True
