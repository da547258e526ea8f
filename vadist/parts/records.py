"""What the library knows of a part besides its model.

The points of its sheets, what the fit leaves at them, its spread, whether it is still made.

The points stand in ``sources/``, the fits to them in ``fitted.json``, which ``python
tests/studies/fit_parts.py --write`` makes.
"""

import functools
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vadist.errors import UsageError
from vadist.names import nearest

if TYPE_CHECKING:
    from vadist.parts.library import PartModel

_FOLDER = Path(__file__).parent

SOURCES = {
    "diodes": ("diodes", "leds"),
    "transistors": ("npn", "pnp", "germanium"),
    "op-amps": ("opamps",),
    "JFETs": ("jfets",),
    "MOSFETs": ("mosfets",),
    "Zener diodes": ("zeners",),
}
"""Files of points, by the kind of part they are about."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """Something that a data sheet states: in words, its unit, and whether a fit is off by volts."""

    words: str
    unit: str
    by_volts: bool = False


QUANTITIES = {
    "vf": Quantity("forward voltage", "V", by_volts=True),
    "vz": Quantity("Zener voltage", "V", by_volts=True),
    "zz": Quantity("differential resistance", "ohm"),
    "drift": Quantity("drift of the Zener voltage", "1/K"),
    "leakage": Quantity("reverse current", "A"),
    "hfe": Quantity("current gain", ""),
    "vbe_on": Quantity("base-emitter voltage", "V", by_volts=True),
    "vbe_sat": Quantity("base-emitter voltage, saturated", "V", by_volts=True),
    "vce_sat": Quantity("collector-emitter voltage, saturated", "V", by_volts=True),
    "hoe": Quantity("output conductance", "S"),
    "icbo": Quantity("collector-base leakage", "A"),
    "idss": Quantity("drain current at no gate voltage", "A"),
    "vgs": Quantity("gate voltage", "V"),
    "vgs_off": Quantity("pinch-off voltage", "V"),
    "gfs": Quantity("transconductance", "S"),
    "gos": Quantity("output conductance", "S"),
    "rds_on": Quantity("channel resistance", "ohm"),
    "vth": Quantity("threshold voltage", "V"),
    "id_on": Quantity("drain current", "A"),
    "vsd": Quantity("body diode", "V", by_volts=True),
    "gain_bandwidth": Quantity("gain-bandwidth", "Hz"),
    "slew_rate": Quantity("slew rate", "V/s"),
    "open_loop_gain": Quantity("open-loop gain", ""),
    "swing_high": Quantity("output swing, up", "V"),
    "swing_low": Quantity("output swing, down", "V"),
    "voltage_noise": Quantity("voltage noise", "V/rtHz"),
    "current_noise": Quantity("current noise", "A/rtHz"),
    "supply_current": Quantity("supply current", "A"),
    "offset": Quantity("input offset", "V"),
    "input_current": Quantity("input current", "A"),
}

_CONDITIONS = {
    "forward_a": ("IF", "A"),
    "reverse_a": ("IZ", "A"),
    "reverse_v": ("VR", "V"),
    "collector_a": ("IC", "A"),
    "base_a": ("IB", "A"),
    "collector_emitter_v": ("VCE", "V"),
    "collector_base_v": ("VCB", "V"),
    "drain_a": ("ID", "A"),
    "source_a": ("IS", "A"),
    "drain_source_v": ("VDS", "V"),
    "gate_source_v": ("VGS", "V"),
    "rail_v": ("rail", "V"),
}


@dataclass(frozen=True, slots=True)
class SheetPoint:
    """A line of a data sheet, and what the library's part gives there.

    Attributes
    ----------
    quantity : str
        A key of :data:`QUANTITIES`, whose unit the values have.
    condition : mapping of str to float
        In amperes (``..._a``) and volts (``..._v``), magnitudes.
    least, typical, most : float or None
        What the sheet promises.
    aim : float or None
        What the fit took; None of a point that was not fitted.
    rule : str
        How the aim was come by where the sheet gives no typical value.
    fitted : float or None
        What the model gives; None where it has no number for the quantity.
    borrowed : str
        Another type that the point was read for; empty if it is the part's own.
    sheet : str
        The document, or "from memory".
    """

    quantity: str
    condition: Mapping[str, float]
    least: float | None
    typical: float | None
    most: float | None
    aim: float | None
    rule: str
    fitted: float | None
    borrowed: str
    sheet: str

    @property
    def off(self) -> float | None:
        """Volts that the model gives too much, or the ratio to the aim less one."""
        if self.aim is None or self.fitted is None:
            return None
        if QUANTITIES[self.quantity].by_volts:
            return self.fitted - self.aim
        return self.fitted / self.aim - 1.0

    @property
    def conditions(self) -> str:
        """The condition as a sheet writes it.

        >>> part_records()["1N4148"].points[0].conditions
        'IF 5 mA'
        """
        told = (f"{_CONDITIONS[k][0]} {short(v, _CONDITIONS[k][1])}"
                for k, v in self.condition.items())  # fmt: skip
        return ", ".join(told)


@dataclass(frozen=True, slots=True)
class PartRecord:
    """A part of the library.

    Attributes
    ----------
    name, kind : str
        Its type, and the table it stands in.
    numbers : mapping of str to float or str
        What its model holds.
    source : str
        The documents, and what the fit leaves.
    out_of_production : str
        How it is known that the type is no longer made; empty if nothing is known of that.
    points : tuple of SheetPoint
    """

    name: str
    kind: str
    numbers: Mapping[str, float | str]
    source: str
    out_of_production: str
    points: tuple[SheetPoint, ...]

    @property
    def model(self) -> "PartModel":
        """What a design takes."""
        from vadist.parts.library import LIBRARY

        return LIBRARY[self.kind][self.name]

    @property
    def spread(self) -> tuple[SheetPoint, ...]:
        """The points of the type itself that promise a least or a largest value.

        An LED goes by its colour: every type of it is its own.
        """
        own = self.numbers.get("family") == "led"
        return tuple(
            p
            for p in self.points
            if (own or not p.borrowed) and (p.least is not None or p.most is not None)
        )

    @property
    def worst(self) -> str:
        """What the fit leaves at most, volts and ratios apart.

        >>> part_records()["1N4148"].worst
        '5.8 mV'
        """
        volts, ratios = [0.0], [0.0]
        for point in self.points:
            off = point.off
            if off is not None:
                (volts if QUANTITIES[point.quantity].by_volts else ratios).append(abs(off))
        told = []
        if max(volts) >= _LEAST_V:
            told.append(f"{1e3 * max(volts):.2g} mV")
        if max(ratios) >= _LEAST_RATIO:
            told.append(f"{100.0 * max(ratios):.2g} %")
        return " and ".join(told) or "nothing"

    @property
    def words(self) -> str:
        """What a search is held against."""
        family, polarity = (getattr(self.model, k, "") for k in ("family", "polarity"))
        channel = f"{polarity}-channel" if len(polarity) == 1 else polarity
        gone = "out of production" if self.out_of_production else ""
        return " ".join((self.name, self.kind, family, channel, gone)).casefold()


_LEAST_V, _LEAST_RATIO = 0.5e-3, 0.5e-2
# Under half a millivolt and half a per cent a fit leaves nothing: its numbers have four digits.


def short(value: float, unit: str) -> str:
    """Write a figure of a data sheet with its unit, and no more digits than it has.

    >>> short(5e-3, "A"), short(290.0, ""), short(13e6, "V/s"), short(85.0, "ohm")
    ('5 mA', '290', '13 V/us', '85 ohm')
    """
    if unit == "V/s":
        return f"{value / 1e6:.4g} V/us"
    if unit in ("", "1/K") or value == 0.0:
        return f"{value:.4g} {unit}".rstrip()
    powers = {-15: "f", -12: "p", -9: "n", -6: "u", -3: "m", 0: "", 3: "k", 6: "M"}
    power = max((p for p in powers if abs(value) >= 0.9995 * 10.0**p), default=-15)
    return f"{value / 10.0**power:.4g} {powers[power]}{unit}"


@functools.cache
def fitted() -> dict[str, dict[str, Any]]:
    """The fits of the library by kind and name: ``numbers``, ``source`` and what they leave."""
    text = (_FOLDER / "fitted.json").read_text(encoding="utf-8")
    fits: dict[str, dict[str, Any]] = json.loads(text)
    return fits


@functools.cache
def part_records() -> Mapping[str, PartRecord]:
    """Every part of the library by name."""
    import tomllib

    found = {}
    for kind, files in SOURCES.items():
        for file in files:
            text = (_FOLDER / "sources" / f"{file}.toml").read_text(encoding="utf-8")
            source = tomllib.loads(text)
            for part in source["part"]:
                fit = fitted()[kind][part["name"]]
                found[part["name"]] = _record(kind, part, fit, source["sheets"])
    return found


def _record(
    kind: str, part: dict[str, Any], fit: dict[str, Any], sheets: dict[str, str]
) -> PartRecord:
    points = []
    for point, aim, value in zip(part["points"], fit["aims"], fit["fitted"], strict=True):
        condition = {k: v for k, v in point.items() if k in _CONDITIONS}
        points.append(
            SheetPoint(
                point["of"], condition, point.get("min"), point.get("typ"), point.get("max"),
                aim, point.get("rule", ""), value, point.get("borrowed", ""),
                sheets[point["sheet"]],
            )
        )  # fmt: skip
    return PartRecord(
        part["name"], kind, fit["numbers"], fit["source"], part.get("out_of_production", ""),
        tuple(points),
    )  # fmt: skip


def find_records(words: list[str]) -> list[PartRecord]:
    """Parts whose name, kind, family or polarity holds every one of some words.

    Raises
    ------
    UsageError
        If there is none, with the nearest name.

    Examples
    --------
    >>> [record.name for record in find_records(["germanium", "npn"])]
    ['2N1308']
    >>> [record.name for record in find_records(["p-channel", "JFET"])]
    ['2N5460', '2N5461', 'J176']
    """
    records = part_records()
    wanted = [word.casefold() for word in words]
    found = [r for r in records.values() if all(word in r.words for word in wanted)]
    if not found:
        given = " ".join(words)
        raise UsageError(f"the library has no part with {given!r}{nearest(given[:80], records)}")
    return found
