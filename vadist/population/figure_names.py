"""Names of what can be measured of a design: one grammar for every command that asks for figures.

====================================  =====  ====================================================
written                               unit   is
====================================  =====  ====================================================
``[PLACE] rest``                      V      where a block's output, or any node, rests
``PART Ic`` (``Ib Vce gm Id ...``)    A V S  what a device's operating point is told by
``supply current``                    A      drawn at rest
``[BLOCK] gain at 1kHz``              dB     small-signal gain, loaded as it is
``[BLOCK] bass cut``                  Hz     -3 dB point; ``treble cut``, ``scoop from``,
                                             ``scoop to`` likewise
``noise``, ``input noise``            V      rms, 20 Hz to 20 kHz, at the output, or referred to
                                             the input
``[BLOCK] THD at 100mV``              %      distortion of a 220 Hz sine of that peak at the input
``[BLOCK] level at 100mV``            V      half of peak to peak for the same sine
``[BLOCK] 1 % level``                 V      peak input, 220 Hz, at which a block first limits; of
                                             the whole, at which the output has 1 % distortion
``loudness``                          LUFS   of the rendered take, 1 V as full scale
``null depth``                        dB     what is left of the take's difference from the
                                             reference when levels are matched
``band change``                       dB     its third octaves against the reference's, weighted by
                                             the energy that is there
``band at 1kHz``                      dB     level of one third octave of the take, over 1 V rms
====================================  =====  ====================================================

Without a place a figure is of the whole design.
"""

import math
import re
from dataclasses import dataclass

from vadist.designs.design import Design
from vadist.errors import DesignError, UsageError
from vadist.names import nearest
from vadist.quantities import format_quantity, parse_level, parse_loudness, parse_quantity
from vadist.stages.stage import output_node

WHOLE = ""
"""Place of a figure of the whole design."""

CORNERS = ("bass cut", "treble cut", "scoop from", "scoop to")

DEVICE_FIGURES = {"Ic": "A", "Ib": "A", "Id": "A", "Vce": "V", "Vds": "V", "Vgs": "V", "gm": "S"}
"""What the records of devices tell of an operating point, with their units."""

SOUND = {"loudness": "LUFS", "null depth": "dB", "band change": "dB", "band": "dB"}
"""Figures of a rendered take."""

_UNITS = {
    "rest": "V", "supply current": "A", "gain": "dB", **dict.fromkeys(CORNERS, "Hz"),
    "noise": "V", "input noise": "V", "THD": "%", "level": "V", "1 % level": "V",
    **DEVICE_FIGURES, **SOUND,
}  # fmt: skip
_AT = {"gain": "Hz", "THD": "V", "level": "V", "band": "Hz"}
_BLOCKS = (*CORNERS, "gain", "THD", "level", "1 % level")

_NUMBER = r"[+-]?[0-9][0-9.]*(?:[\wµ]*)(?:\s(?:[kM]?Hz|[mu]?V|dB[uV])\b)?"
_KINDS = "|".join(
    [
        rf"(?P<at_kind>gain|THD|level|band)\s+at\s+(?P<at>{_NUMBER})",
        r"(?P<one>1\s?%\s?level)",
        *(rf"(?P<{'k' + str(n)}>{kind.replace(' ', chr(92) + 's+')})" for n, kind in enumerate(
            ("supply current", "input noise", "noise", "rest", *CORNERS, *DEVICE_FIGURES,
             "loudness", "null depth", "band change")
        )),
    ]
)  # fmt: skip
_FIGURE = re.compile(rf"\s*(?:(?P<place>[^\s=<>]+)\s+)??(?:{_KINDS})(?![\w%])\s*(?P<rest>.*)", re.S)
_DECIBELS = re.compile(r"([+-]?[0-9]+(?:\.[0-9]*)?)\s*dB", re.IGNORECASE)
_PER_CENT = re.compile(r"([+-]?[0-9]+(?:\.[0-9]*)?)\s*%")


@dataclass(frozen=True)
class Figure:
    """Something that can be measured.

    Attributes
    ----------
    place : str
        Block, node or part; :data:`WHOLE` for the whole design.
    kind : str
        ``rest``, ``gain``, ``bass cut``, ...
    at : float
        Hertz of a gain, peak volts of a THD or level; 0 where nothing is stated.
    """

    place: str
    kind: str
    at: float = 0.0

    @property
    def unit(self) -> str:
        """``V``, ``A``, ``S``, ``Hz``, ``dB``, ``%`` or ``LUFS``."""
        return _UNITS[self.kind]

    @property
    def is_sound(self) -> bool:
        """Whether it takes a rendered take."""
        return self.kind in SOUND

    def __str__(self) -> str:
        at = f" at {_at_text(self.at, _AT[self.kind])}" if self.kind in _AT else ""
        return f"{self.place} {self.kind}{at}".strip()

    def read(self, text: str) -> float:
        """Read a value of this figure: ``4V``, ``80Hz``, ``30dB``, ``1%``.

        Raises
        ------
        UsageError
            With the figure's name in front.

        Examples
        --------
        >>> Figure("", "gain", 1e3).read("30dB"), Figure("", "bass cut").read("80Hz")
        (30.0, 80.0)
        """
        try:
            if self.unit == "LUFS":
                return parse_loudness(text)
            if self.unit in ("dB", "%"):
                pattern = _DECIBELS if self.unit == "dB" else _PER_CENT
                number = pattern.fullmatch(text.strip())
                if number is None:
                    example = "30dB" if self.unit == "dB" else "1%"
                    raise DesignError(f"must be in {self.unit} (got {text!r}; write {example})")
                return float(number[1])
            return parse_quantity(text, self.unit)
        except DesignError as error:
            raise UsageError(f"{self} {error}") from None

    def show(self, value: float, digits: int = 3) -> str:
        """Write a value of this figure; one that is not there is ``none``.

        >>> Figure("", "gain", 1e3).show(25.2345), Figure("boost", "rest").show(5.9876)
        ('25.23 dB', '5.99 V')
        """
        if math.isnan(value):
            return "none"
        if math.isinf(value):
            return "never" if value > 0.0 else "nothing"
        if self.unit in ("dB", "LUFS"):
            return f"{value:.2f} {self.unit}"
        if self.unit == "%":
            return f"{value:.{digits}g} %"
        return format_quantity(value, self.unit, digits)


def _at_text(value: float, unit: str) -> str:
    if unit == "Hz":
        return f"{value / 1e3:g}kHz" if value >= 1e3 else f"{value:g}Hz"
    return f"{value * 1e3:g}mV" if value < 1.0 else f"{value:g}V"


def split_figure(text: str, design: Design) -> tuple[Figure, str]:
    """Read the figure that a text begins with, and give back what follows it.

    Parameters
    ----------
    text : str
        ``boost.output rest 4V..5V``, ``gain at 1kHz = 30dB``.
    design : Design
        Whose blocks, nodes and parts a place is held against.

    Raises
    ------
    UsageError
        For a text without a figure or an unknown place, with the nearest one.

    Examples
    --------
    >>> from vadist import load_design
    >>> figure, rest = split_figure("boost bass cut = 80Hz", load_design("boosted_hard_clipper"))
    >>> str(figure), rest
    ('boost bass cut', '= 80Hz')
    """
    found = _FIGURE.fullmatch(text)
    if found is None:
        raise UsageError(
            f"{text.strip()!r} begins with no figure: write [PLACE] and one of rest, gain at 1kHz, "
            f"{', '.join(CORNERS)}, noise, input noise, supply current, THD at 100mV, "
            f"level at 100mV, 1 % level{nearest(text.strip(), _UNITS)}"
        )
    named = found.groupdict()
    kind = named["at_kind"] or ("1 % level" if named["one"] else "")
    kind = kind or next(
        " ".join(value.split()) for key, value in named.items() if re.match(r"k\d", key) and value
    )
    place = named["place"] or WHOLE
    at = 0.0
    if kind in _AT:
        try:
            at = parse_level(named["at"]) if _AT[kind] == "V" else parse_quantity(named["at"], "Hz")
        except DesignError as error:
            raise UsageError(f"{kind} at {named['at']}: {error}") from None
        if not at > 0.0:
            raise UsageError(f"{kind} at {named['at']}: must be above 0 {_AT[kind]}")
    return _placed(Figure(place, kind, at), design), named["rest"].strip()


def parse_figure(text: str, design: Design) -> Figure:
    """Read a figure that stands alone; see :func:`split_figure`.

    Examples
    --------
    >>> from vadist import load_design
    >>> parse_figure("boost.transistor Ic", load_design("treble_boost")).unit
    'A'
    """
    figure, rest = split_figure(text, design)
    if rest:
        raise UsageError(f"{text.strip()!r}: nothing may follow {str(figure)!r} (got {rest!r})")
    return figure


def _placed(figure: Figure, design: Design) -> Figure:
    """Check a figure's place; of one that takes a block, its output node is the block."""
    place, kind = figure.place, figure.kind
    if kind in ("supply current", "noise", "input noise", *SOUND):
        if place:
            raise UsageError(f"{kind} is of the whole design, not of a place (got {place!r})")
        return figure
    if kind in DEVICE_FIGURES:
        parts = [p for p in design.paths if "." in p]
        if place not in parts:
            raise UsageError(f"{figure}: names no part of this design{nearest(place, parts)}")
        return figure
    if place in {output_node(stage): stage for stage in design.stages}:
        place = place.rpartition(".")[0]
    if kind in _BLOCKS and place and place not in design.stages:
        raise UsageError(f"{figure}: {place!r} is no block{nearest(place, design.stages)}")
    if kind == "rest" and place not in design.stages:
        place = place or tuple(design.stages)[-1]
        nodes = rest_nodes(design)
        if place not in nodes and place not in design.stages:
            raise UsageError(f"{figure}: {place!r} is no node{nearest(place, nodes)}")
    return Figure(place, kind, figure.at)


def rest_nodes(design: Design) -> list[str]:
    """Nodes whose resting volts may be asked for: inner ones, blocks and rails.

    >>> from vadist import load_design
    >>> "boost.base" in rest_nodes(load_design("treble_boost"))
    True
    """
    network = design.network()
    ends = [n for e in (*network.resistors, *network.capacitors, *network.inductors)
            for n in (e.a, e.b)]  # fmt: skip
    ends += [n for device in network.devices for n in device.nodes.values()]
    outputs = {output_node(stage) for stage in design.stages}
    inner = dict.fromkeys([*network.rails, *ends, *network.aliases])
    return [*design.stages, *(n for n in inner if n not in outputs)]
