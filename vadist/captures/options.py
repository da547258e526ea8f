"""Texts of the command line and of suite files to readings and settings: one table for both."""

from collections.abc import Callable, Mapping
from typing import Any

from vadist.captures.align import Freedom
from vadist.captures.capture import Reading
from vadist.captures.check import CheckSettings
from vadist.errors import DesignError, UsageError
from vadist.names import nearest
from vadist.quantities import parse_level, parse_quantity
from vadist.rendering.method import MOST_OVERSAMPLE

_DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "space": " ", ",": ",", ";": ";"}
_DECIMALS = {"point": ".", "comma": ",", ".": ".", ",": ","}
_MOST_HARMONICS = 1000
# A tone of 20 Hz has no more within the default band.

DEFAULT_AC_CORNER_HZ = 5.0
"""Oscilloscopes state an AC corner below 10 Hz (common practice, no published source)."""


def _quantity(unit: str) -> Callable[[Any], float]:
    return lambda raw: parse_quantity(raw, unit)


def _word(choices: Mapping[str, str]) -> Callable[[Any], str]:
    def read(raw: Any) -> str:
        if str(raw) not in choices:
            raise UsageError(f"must be {', '.join(list(choices)[:4])} (got {raw!r})")
        return choices[str(raw)]

    return read


def _per_channel(read: Callable[[str], float]) -> Callable[[Any], dict[str, float]]:
    """``10`` for every channel, ``CH1=1,CH2=10`` for some."""

    def table(raw: Any) -> dict[str, float]:
        if isinstance(raw, Mapping):
            return {str(name): read(str(value)) for name, value in raw.items()}
        found = {}
        for part in str(raw).split(","):
            name, equals, value = part.rpartition("=")
            found[name.strip() if equals else ""] = read(value)
        return found

    return table


def _factor(text: str) -> float:
    value = parse_quantity(text.strip().lower().removesuffix("x"), "")
    if not value > 0.0:
        raise UsageError(f"must be above 0 (got {text!r})")
    return value


def share(raw: Any) -> float:
    """``3%`` or 0.03.

    >>> share("3%"), share(0.03)
    (0.03, 0.03)
    """
    try:
        if isinstance(raw, str) and raw.strip().endswith("%"):
            return float(raw.strip()[:-1]) / 100.0
        return float(raw)
    except (TypeError, ValueError, OverflowError):
        raise UsageError(f"must be a share such as 3% (got {raw!r})") from None


def _units(raw: Any) -> tuple[str, ...]:
    parts = raw if isinstance(raw, list) else str(raw).split(",")
    return tuple(str(part).strip() for part in parts)


def _ppm(raw: Any) -> float:
    try:
        return float(str(raw).removesuffix("ppm"))
    except ValueError:
        raise UsageError(f"must be parts per million (got {raw!r})") from None


def _sign(raw: Any) -> int:
    return {"either": 0, "same": 1, "inverted": -1}[
        _word({"either": "either", "same": "same", "inverted": "inverted"})(raw)
    ]


def _flag(raw: Any) -> bool:
    if not isinstance(raw, bool):
        raise UsageError(f"must be true or false (got {raw!r})")
    return raw


def _count(most: int) -> Callable[[Any], int]:
    def read(raw: Any) -> int:
        try:
            if isinstance(raw, bool) or int(raw) != float(raw) or not 1 <= int(raw) <= most:
                raise ValueError
            return int(raw)
        except (TypeError, ValueError, OverflowError):
            raise UsageError(f"must be a whole number within 1..{most} (got {raw!r:.40})") from None

    return read


def _text(raw: Any) -> str:
    """A channel's name, or its number."""
    if isinstance(raw, bool) or not isinstance(raw, str | int):
        raise UsageError(f"must be the name or the number of a channel (got {raw!r:.40})")
    return str(raw)


def _coupling(raw: Any) -> float | None:
    """``dc``, ``ac``, or the corner of an AC coupling."""
    if str(raw).lower() in ("dc", "ac"):
        return DEFAULT_AC_CORNER_HZ if str(raw).lower() == "ac" else None
    return parse_quantity(raw, "Hz")


Readers = dict[str, tuple[str, Callable[[Any], Any]]]
"""Option -> field and reader; what each means is told by :mod:`vadist.cli.bench`."""

READING: Readers = {
    "full_scale": ("full_scale_v", parse_level),
    "rate": ("sample_rate_hz", _quantity("Hz")),
    "units": ("units", _units),
    "delimiter": ("delimiter", _word(_DELIMITERS)),
    "decimal": ("decimal", _word(_DECIMALS)),
    "probe": ("probe", _per_channel(_factor)),
    "zero": ("offset_v", _per_channel(_quantity("V"))),
}

SETTINGS: Readers = {
    "output_channel": ("output_channel", _text),
    "input_channel": ("input_channel", _text),
    "band": ("band_hz", _quantity("Hz")),
    "coupling": ("ac_corner_hz", _coupling),
    "settle": ("settle_s", _quantity("s")),
    "harmonics": ("harmonics", _count(_MOST_HARMONICS)),
    "oversample": ("oversample", _count(MOST_OVERSAMPLE)),
    "keep_input_dc": ("keep_input_dc", _flag),
    "allow_clipped": ("allow_clipped", _flag),
}

FREEDOM: Readers = {
    "gain": ("gain", share),
    "offset": ("offset_v", _quantity("V")),
    "clock": ("clock_ppm", _ppm),
    "delay": ("delay_s", _quantity("s")),
    "sign": ("sign", _sign),
}


def _read(table: Mapping[str, Any], known: Readers) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, raw in table.items():
        if key not in known:
            hint = nearest(key, known) or f"; there are {', '.join(known)}"
            raise UsageError(f"unknown option {key!r}{hint}")
        field, read = known[key]
        try:
            found[field] = read(raw)
        except (UsageError, DesignError) as error:
            raise UsageError(f"{key} {error}") from None
    return found


def reading_from(table: Mapping[str, Any]) -> Reading:
    """Reading from option texts.

    >>> reading_from({"probe": "CH2=10x", "units": "s,V,V"}).probe
    {'CH2': 10.0}
    """
    found = _read(table, READING)
    rate = found.get("sample_rate_hz")
    if rate is not None and not rate > 0.0:
        raise UsageError(f"rate must be above 0 Hz (got {rate:g})")
    return Reading(**found)


def settings_from(table: Mapping[str, Any]) -> CheckSettings:
    """Settings from option texts.

    >>> settings_from({"gain": "2%", "band": "15kHz"}).freedom
    {'gain': 0.02}
    """
    free = _read({key: raw for key, raw in table.items() if key in FREEDOM}, FREEDOM)
    held = _read({key: raw for key, raw in table.items() if key not in FREEDOM}, SETTINGS)
    if "delay_s" in free:
        free["delay_s"] = (-free["delay_s"], free["delay_s"])
    Freedom(**free)  # its rules are told before any file is read
    return CheckSettings(**held, freedom=free)
