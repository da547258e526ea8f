"""What is wanted of a design's figures, and how far a figure is from it.

========================  =====================================================================
``boost bass cut = 80Hz``  met within 5 % of it, 0.5 dB of decibels, or what stands behind ``+-``:
                           ``= 80Hz +-2%``, ``= 30dB +-0.2dB``, ``= 0V +-50mV``
``boost rest 4V..5V``      met from the one to the other; an end may be open, ``4V..``
``noise < 10mV``           met up to it; ``>`` from it on
``noise low``              as low as possible (``as low as possible`` does as well); ``high``
``sounds like FILE``       what is left of a recording, at the best gain, as low as possible: of
                           the same take, aligned to the sample
========================  =====================================================================

How far a figure is off is counted in *slacks*, so that unlike figures can be compared: one slack is
5 % of an amount, 0.5 dB, 5 % of the volts or amperes that were asked for, or what stood behind
``+-``.
"""

import math
import re
from dataclasses import dataclass

import numpy as np

from vadist.arrays import FloatArray
from vadist.designs.design import Design
from vadist.errors import UsageError
from vadist.population.figure_names import CORNERS, Figure, split_figure
from vadist.questions.limits import read_range

SLACK = 0.05
"""Share by which an amount may be off before it is one slack off: half a step of E24, as near as
preferred numbers come."""

SLACK_DB = 0.5
"""The same of decibels: 6 %."""

NOT_THERE = 1e3
"""Slacks that a figure is off that a design does not have, a corner for one."""

_AMOUNTS = (*CORNERS, "noise", "input noise", "supply current", "THD", "level", "1 % level")
# Figures above zero by nature: compared by ratio.

_FAR = 1e4  # slacks beyond which an aspiration counts no more: amounts of 200 decades

_ENDLESS = 1e9  # stands for an open bound, and for a level that is never reached

_BOUND = re.compile(r"(?P<sign><=|>=|<|>|=)\s*(?P<value>.+)", re.S)
_ASPIRATION = re.compile(r"(?:as\s+)?(?P<way>low|high)(?:\s+as\s+possible)?", re.IGNORECASE)
_OFF = re.compile(r"\+-|±")


@dataclass(frozen=True)
class Wish:
    """What is wanted of one figure.

    Attributes
    ----------
    figure : Figure
    low, high : float
        Where it is met, in the figure's unit; infinite where open.
    target : float
        What is asked for; NaN of a range, a bound or an aspiration.
    slack : float
        What counts as one slack: of the logarithm of an amount, else in the figure's unit.
    way : int
        -1 for as low as possible, 1 for as high, else 0.
    """

    figure: Figure
    low: float = -math.inf
    high: float = math.inf
    target: float = math.nan
    slack: float = SLACK_DB
    way: int = 0

    def __str__(self) -> str:
        show = self.figure.show
        if self.way:
            return f"{self.figure} {'low' if self.way < 0 else 'high'}"
        if not math.isnan(self.target):
            return f"{self.figure} = {show(self.target)}"
        if math.isinf(self.low):
            return f"{self.figure} < {show(self.high)}"
        if math.isinf(self.high):
            return f"{self.figure} > {show(self.low)}"
        return f"{self.figure} {show(self.low)}..{show(self.high)}"

    def off(self, values: FloatArray) -> FloatArray:
        """Slacks that each value is outside of what is wanted; 0 where it is met.

        Examples
        --------
        >>> wish = Wish(Figure("", "gain", 1e3), 20.0, 30.0)
        >>> wish.off(np.array([19.0, 25.0, 31.5, np.nan])).tolist()
        [2.0, 0.0, 3.0, 1000.0]
        """
        if self.way:
            return np.zeros(np.shape(values))
        place = self._scaled(values)
        low, high = (float(self._scaled(np.array(v))) for v in (self.low, self.high))
        outside = np.maximum(np.maximum(low - place, place - high), 0.0) / self.slack
        return np.where(np.isnan(values), NOT_THERE, np.minimum(outside, NOT_THERE))

    def distance(self, values: FloatArray) -> FloatArray:
        """Slacks from the target, either way; 0 of a wish that names none."""
        if math.isnan(self.target):
            return np.zeros(np.shape(values))
        far = np.abs(self._scaled(values) - self._scaled(np.array(self.target))) / self.slack
        return np.where(np.isnan(values), NOT_THERE, np.minimum(far, NOT_THERE))

    def price(self, values: FloatArray) -> FloatArray:
        """Slacks that an aspiration's values are up from nothing: less is better; else 0."""
        if not self.way:
            return np.zeros(np.shape(values))
        up = np.clip(-self.way * self._scaled(values) / self.slack, -_FAR, _FAR)
        return np.where(np.isnan(values), _FAR, up)

    def told_off(self, value: float) -> str:
        """Say how far a value is from what is wanted: ``12 % above``; nothing where it is met."""
        if math.isnan(value):
            return "not there"
        if not float(self.off(np.array(value))) > 0.0:
            return ""
        bound = self.low if value < self.low else self.high
        bound = bound if math.isnan(self.target) else self.target
        side = "below" if value < bound else "above"
        if self.figure.kind not in _AMOUNTS or not bound > 0.0:
            return f"{self.figure.show(abs(value - bound))} {side}"
        ratio = value / bound
        if 0.5 < ratio < 2.0:
            return f"{100.0 * abs(ratio - 1.0):.2g} % {side}"
        return f"{ratio:.3g} times as much"

    def _scaled(self, values: FloatArray) -> FloatArray:
        """Values on the scale that slacks are counted on."""
        return scaled(self.figure, values)


def scaled(figure: Figure, values: FloatArray) -> FloatArray:
    """Return values as they are compared: the logarithm of an amount, all else as it is, finite."""
    values = np.asarray(values, dtype=float)
    if figure.kind in _AMOUNTS:
        with np.errstate(divide="ignore", invalid="ignore"):
            values = np.log(np.maximum(values, 0.0))
    return np.clip(values, -_ENDLESS, _ENDLESS)


_SOUNDS_LIKE = re.compile(r"\s*sounds\s+like\s+(?P<file>.*\S)\s*", re.IGNORECASE | re.S)


def target_of(text: str) -> str | None:
    """Name of the recording that a wish wants a take to sound like; None of another wish.

    >>> target_of("sounds like old board.wav"), target_of("noise low")
    ('old board.wav', None)
    """
    found = _SOUNDS_LIKE.fullmatch(text)
    return found["file"] if found else None


def read_wish(text: str, design: Design) -> Wish:
    """Read a wish.

    Parameters
    ----------
    text : str
        A figure and what is wanted of it, see the module.
    design : Design
        Whose blocks, nodes and parts the figure is held against.

    Raises
    ------
    UsageError
        One line: no such figure, no such place, another unit, nothing wanted.

    Examples
    --------
    >>> from vadist import load_design
    >>> wish = read_wish("boost bass cut = 80Hz", load_design("boosted_hard_clipper"))
    >>> str(wish), round(wish.low, 1), round(wish.high, 1)
    ('boost bass cut = 80.0 Hz', 76.2, 84.0)
    """
    if target_of(text) is not None:
        return Wish(Figure("", "null depth"), way=-1)
    figure, wanted = split_figure(text, design)
    wanted = wanted.strip()
    aspiration = _ASPIRATION.fullmatch(wanted)
    bound = _BOUND.fullmatch(wanted)
    if aspiration:
        low = aspiration["way"].lower() == "low"
        return Wish(figure, way=-1 if low else 1, slack=_slack(figure, 0.0))
    if ".." in wanted:
        return _range(figure, bound["value"] if bound and bound["sign"] == "=" else wanted)
    if bound is None:
        raise UsageError(
            f"{text.strip()!r}: say what is wanted of {str(figure)!r}: = VALUE, < VALUE, > VALUE, "
            f"LOW..HIGH, low or high (got {repr(wanted) if wanted else 'nothing'})"
        )
    if bound["sign"] == "=":
        return _target(figure, bound["value"])
    value = figure.read(bound["value"])
    slack = _slack(figure, value)
    return (
        Wish(figure, high=value, slack=slack)
        if bound["sign"].startswith("<")
        else Wish(figure, low=value, slack=slack)
    )


def _range(figure: Figure, text: str) -> Wish:
    low, high = read_range(text, figure)
    size = max(abs(end) for end in (low, high) if math.isfinite(end))
    return Wish(figure, low, high, slack=_slack(figure, size))


def _target(figure: Figure, text: str) -> Wish:
    value_text, *off = _OFF.split(text, maxsplit=1)
    value = figure.read(value_text.strip())
    if figure.kind in _AMOUNTS and not value > 0.0:
        raise UsageError(f"{figure} must be above 0 (got {value_text.strip()}); write < or low")
    if not off:
        slack = _slack(figure, value)
        if value == 0.0 and figure.unit != "dB":
            raise UsageError(f"{figure} = 0 needs how far it may be off, like 0V +-50mV")
    else:
        slack = _read_slack(figure, value, off[0])
    if figure.kind in _AMOUNTS:
        return Wish(figure, value * math.exp(-slack), value * math.exp(slack), value, slack)
    return Wish(figure, value - slack, value + slack, value, slack)


def _read_slack(figure: Figure, value: float, text: str) -> float:
    """How far a target may be off: per cent of it, or in its own unit."""
    by_share = text.strip().endswith("%") and figure.unit not in ("dB", "%")
    if by_share:
        try:
            off = float(text.strip()[:-1]) / 100.0
        except ValueError:
            raise UsageError(f"{figure}: +- must be like 2% (got {text.strip()!r})") from None
        off *= abs(value)
    else:
        off = figure.read(text.strip())
    if not 0.0 < off < math.inf:
        raise UsageError(f"{figure}: +- must be above 0 (got {text.strip()})")
    return math.log1p(off / value) if figure.kind in _AMOUNTS else off


def _slack(figure: Figure, bound: float) -> float:
    """What one slack is of a figure that is asked to be about so large."""
    if figure.kind in _AMOUNTS:
        return math.log1p(SLACK)
    if figure.unit in ("dB", "LUFS"):
        return SLACK_DB
    return SLACK * abs(bound) if bound else SLACK


def slacks_between(figure: Figure, before: float, after: FloatArray) -> FloatArray:
    """Slacks that values are from another one; what comes or goes counts as much as can be.

    Examples
    --------
    >>> gain = Figure("", "gain", 1e3)
    >>> slacks_between(gain, 20.0, np.array([21.0, 20.0, np.nan])).tolist()
    [2.0, 0.0, 1000.0]
    """
    after = np.asarray(after, dtype=float)
    same = (after == before) | (np.isnan(after) & math.isnan(before))
    apart = np.abs(scaled(figure, after) - scaled(figure, np.array(before)))
    apart = np.where(np.isnan(apart), NOT_THERE, apart / _slack(figure, before))
    return np.where(same, 0.0, np.minimum(apart, NOT_THERE))
