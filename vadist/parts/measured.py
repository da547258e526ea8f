"""A part's model from a person's own meter readings.

What the readings do not tell is held, and said to be. Junctions are taken to be at 300 K.
"""

import math
from collections.abc import Callable, Sequence

from vadist.errors import UsageError
from vadist.parts.least_squares import NORMAL_95, Fitted, Found, Unknown, fit_readings
from vadist.parts.measured_part import MeasuredPart
from vadist.parts.readings import Reading, Readings
from vadist.quantities import thermal_voltage

DEFAULT_ACCURACY = 0.01
"""Of a handheld meter, volts and milliamperes alike (common practice, no published source)."""

_SILICON_N, _SILICON_A = 1.935, 2.065e-9
# Forward law of a Zener diode whose forward volts were not measured: that of the library's.
_USUAL_A = 1e-14
# Saturation current of a small transistor whose VBE was not measured: it sets its leakage's scale.

_EMISSION = (0.3, 20.0)
_SIZES = (1e-200, 1.0)
_LARGEST_VBE = 2.0


def parse_meter(text: str) -> float:
    """Accuracy of a meter as a person types it.

    Raises
    ------
    UsageError

    Examples
    --------
    >>> parse_meter("0.5%")
    0.005
    """
    number, percent, rest = text.strip().partition("%")
    try:
        if not percent or rest:
            raise ValueError
        return float(number) / 100.0
    except ValueError:
        raise UsageError(f"--meter must be a percentage like 0.5% (got {text!r})") from None


def measure(readings: Readings, accuracy: float = DEFAULT_ACCURACY) -> MeasuredPart:
    """Fit a part to readings of it.

    Parameters
    ----------
    readings : Readings
    accuracy : float
        Of the meter, as a ratio, 0 to 0.2.

    Raises
    ------
    UsageError
        If there are too few readings, or they follow no such part.

    Examples
    --------
    >>> from vadist.parts.readings import parse_readings
    >>> part = measure(parse_readings("diode 0.1mA=0.520V 10mA=0.710V"))
    >>> round(part.found["emission_coefficient"].value, 2)
    1.6
    """
    if not 0.0 <= accuracy <= 0.2:
        raise UsageError(f"--meter must lie within 0% to 20% (got {100.0 * accuracy:g}%)")
    return _KINDS[readings.kind.name](readings, accuracy)


def _diode(readings: Readings, accuracy: float) -> MeasuredPart:
    family = {"diode": "silicon"}.get(readings.kind.name, readings.kind.name)
    pairs = _rising(readings.pairs, 2, "volts")
    found, held, fitted = _junction(pairs, accuracy)
    return MeasuredPart(readings.kind.name, family, "", found, held, tuple(pairs), fitted)


def _junction(
    pairs: Sequence[Reading], accuracy: float
) -> tuple[dict[str, Found], dict[str, tuple[float, str]], Fitted]:
    """Shockley's law, and the series resistance from three readings on."""
    first, last = pairs[0], pairs[-1]
    ratio = math.log(last.at / first.at)
    slope = max((last.shown - first.shown) / ratio, 1e-3)
    n = min(max(slope / thermal_voltage(), _EMISSION[0] * 1.01), _EMISSION[1] * 0.99)
    size = first.at * math.exp(-first.shown / (n * thermal_voltage()))
    unknowns = [
        Unknown("saturation_current", max(size, _SIZES[0]), bounds=_SIZES),
        Unknown("emission_coefficient", n, bounds=_EMISSION),
    ]
    held = {}
    if len({p.at for p in pairs}) > 2:
        scale = last.shown / last.at
        unknowns.append(Unknown("series_resistance", scale, True, (0.0, 10.0 * scale)))
    else:
        held["series_resistance"] = (0.0, "two readings tell no more; a third at a large current")

    def volts(values: dict[str, float], _: Reading, current: float) -> float:
        nvt = values["emission_coefficient"] * thermal_voltage()
        ohmic = current * values.get("series_resistance", 0.0)
        return nvt * math.log1p(current / values["saturation_current"]) + ohmic

    fitted = fit_readings(unknowns, volts, pairs, accuracy)
    return fitted.found, held, fitted


def _zener(readings: Readings, accuracy: float) -> MeasuredPart:
    reverse = _rising([p for p in readings.pairs if not p.mode], 2, "volts backwards")
    forward = [p for p in readings.pairs if p.mode]
    test = min((p.at for p in reverse), key=lambda a: abs(math.log(a / 5e-3)))
    ratio = math.log(reverse[-1].at / reverse[0].at)
    knee = max((reverse[-1].shown - reverse[0].shown) / ratio, 1e-3)
    unknowns = [
        Unknown("breakdown", reverse[0].shown),
        Unknown("knee", knee, bounds=(1e-6 * reverse[0].shown, 0.99 * reverse[0].shown)),
    ]
    held: dict[str, tuple[float, str]] = {"test_current": (test, "one of the readings'")}
    if len({p.at for p in reverse}) > 2:
        scale = knee / reverse[-1].at
        unknowns.append(Unknown("series_resistance", scale, True, (0.0, 1e3 * scale)))

    def volts(values: dict[str, float], _: Reading, current: float) -> float:
        junction = values["breakdown"] + values["knee"] * math.log(current / test)
        return junction + current * values.get("series_resistance", 0.0)

    fitted = fit_readings(unknowns, volts, reverse, accuracy)
    found = dict(fitted.found)
    if len(forward) > 1:
        ahead, _, _ = _junction(_rising(forward, 2, "forward volts"), accuracy)
        found |= {k: ahead[k] for k in ("saturation_current", "emission_coefficient")}
    else:
        current = _SILICON_A
        why = "not measured: that of the library's"
        if forward:
            exponent = forward[0].shown / (_SILICON_N * thermal_voltage())
            current, why = forward[0].at * math.exp(-exponent), "from the forward reading"
        held["saturation_current"] = (current, why)
        held["emission_coefficient"] = (_SILICON_N, "that of the library's silicon")
    return MeasuredPart("zener", "", "", found, held, tuple(reverse), fitted)


def _transistor(readings: Readings, accuracy: float) -> MeasuredPart:
    """VBE tells Is; the gain over current tells Bf, the leakage and the knee.

    With the collector far from saturation C = Ic - Is/Br - Isc is carried, (If + Is)/qb, and qb^2 =
    qb + If/IKF makes qb = 1 + C/IKF, but for Is. So VBE = Vt ln(C qb/Is) and Ib = (C qb - Is)/Bf +
    Ise (sqrt(C qb/Is) - 1) - Is/Br - Isc. With the emitter open If (1 + 1/Bf) = -Is, so that from
    collector to base flows Is/(1 + Bf) + Is/Br + Isc.
    """
    gains = sorted((p for p in readings.pairs if not p.unit), key=lambda p: p.at)
    volts = [p for p in readings.pairs if p.unit == "V"]
    leaks = [p for p in readings.pairs if p.mode]
    if not gains:
        raise UsageError("--measure: a transistor needs a current gain, like 1mA=210")
    germanium = readings.kind.name.startswith("germanium")
    if germanium and not volts:
        raise UsageError("--measure: a germanium transistor needs volts, like 1mA=0.189V")
    back = 10.0 if germanium else 1.0
    high = next((p for p in volts if p.shown > _LARGEST_VBE), None)
    if high is not None:
        raise UsageError(
            f"--measure: {high.text}: base-emitter volts must be <= {_LARGEST_VBE:g} V"
        )
    held: dict[str, tuple[float, str]] = {"reverse_beta": (back, "not measured")}
    unknowns = [Unknown("forward_beta", max(p.shown for p in gains))]
    if volts:
        size = volts[0].at * math.exp(-volts[0].shown / thermal_voltage())
        unknowns.append(Unknown("saturation_current", size))
    else:
        held["saturation_current"] = (_USUAL_A, "no base-emitter volts were measured")
    currents = {p.at for p in gains}
    usual = held.get("saturation_current", (0.0, ""))[0] or unknowns[-1].start
    if len(currents) > 1:
        scale = math.sqrt(usual * gains[0].at) / gains[0].shown
        unknowns.append(Unknown("emitter_leakage", scale, True, (0.0, 100.0 * scale)))
    if len(currents) > 2:
        unknowns.append(Unknown("per_knee", 1.0 / gains[-1].at, True, (0.0, 100.0 / gains[-1].at)))

    leak = _leakage(leaks)

    def shown(values: dict[str, float], reading: Reading, current: float) -> float:
        size, gain = values.get("saturation_current", usual), values["forward_beta"]
        away = max(leak.shown - size / (1.0 + gain), 0.0) if leak else size / back
        carried = max(current - away, 1e-3 * current)
        charge = 1.0 + carried * values.get("per_knee", 0.0)
        if reading.unit == "V":
            return thermal_voltage() * math.log(carried * charge / size)
        low = values.get("emitter_leakage", 0.0) * (math.sqrt(carried * charge / size) - 1.0)
        base = (carried * charge - size) / gain + low - away
        return current / max(base, 1e-9 * current)

    pairs = [*gains, *volts]
    fitted = fit_readings(unknowns, shown, pairs, accuracy)
    found = dict(fitted.found)
    knee = found.pop("per_knee", Found(0.0, 0.0, 0.0))
    if knee.value:
        most = 1.0 / knee.low if knee.low else math.inf
        found["knee_current"] = Found(1.0 / knee.value, 1.0 / knee.high, most)
    if leak:
        size = found.get("saturation_current", Found(usual, usual, usual)).value
        carried = size * (1.0 / (1.0 + found["forward_beta"].value) + 1.0 / back)
        found["collector_leakage"] = _beyond(leak, carried, accuracy)
    family, polarity = ("germanium" if germanium else ""), readings.kind.name[-3:]
    told = "" if polarity == "npn" else polarity
    return MeasuredPart(readings.kind.name, family, told, found, held, tuple(pairs), fitted)


def _leakage(leaks: Sequence[Reading]) -> Reading | None:
    if len(leaks) > 1:
        raise UsageError(f"--measure: one reading of leakage is enough (got {len(leaks)})")
    return leaks[0] if leaks else None


def _beyond(leak: Reading, carried: float, accuracy: float) -> Found:
    """Isc: what leaks beyond that which the saturation current carries."""
    if not leak.shown > carried:
        raise UsageError(
            f"--measure: {leak.text}: leakage must be more than the {carried:.3g} A that the "
            "saturation current makes of it"
        )
    own, common = leak.step / math.sqrt(12.0), accuracy * leak.shown / math.sqrt(3.0)
    reach, value = NORMAL_95 * math.hypot(own, common), leak.shown - carried
    return Found(value, max(value - reach, 0.0), value + reach)


def _jfet(readings: Readings, accuracy: float) -> MeasuredPart:
    """The square law: Id = IDSS (1 - |Vgs|/Vp)^2."""
    pairs = _falling(readings, -1.0)
    (v0, i0), (v1, i1) = ((abs(p.at), math.sqrt(p.shown)) for p in (pairs[0], pairs[-1]))
    pinch = (v1 * i0 - v0 * i1) / (i0 - i1)
    idss = (i0 * pinch / (pinch - v0)) ** 2
    unknowns = [Unknown("idss", idss), Unknown("pinch_off", pinch, bounds=(0.1, 100.0))]

    def current(values: dict[str, float], _: Reading, gate_v: float) -> float:
        open_part = max(1.0 - abs(gate_v) / values["pinch_off"], 0.0)
        return values["idss"] * open_part**2

    fitted = fit_readings(unknowns, current, pairs, accuracy)
    return _channel(readings, fitted, pairs)


def _mosfet(readings: Readings, accuracy: float) -> MeasuredPart:
    """The square law: Id = k/2 (|Vgs| - Vth)^2."""
    pairs = _falling(readings, 1.0)
    (v0, i0), (v1, i1) = ((abs(p.at), math.sqrt(p.shown)) for p in (pairs[0], pairs[-1]))
    threshold = (v0 * i1 - v1 * i0) / (i1 - i0)
    k = 2.0 * ((i1 - i0) / (v1 - v0)) ** 2
    bounds = (0.1, 100.0)
    unknowns = [
        Unknown("threshold", max(threshold, 0.11), bounds=bounds), Unknown("transconductance", k)
    ]  # fmt: skip

    def current(values: dict[str, float], _: Reading, gate_v: float) -> float:
        over = max(abs(gate_v) - values["threshold"], 0.0)
        return values["transconductance"] / 2.0 * over**2

    fitted = fit_readings(unknowns, current, pairs, accuracy)
    return _channel(readings, fitted, pairs)


def _channel(readings: Readings, fitted: Fitted, pairs: Sequence[Reading]) -> MeasuredPart:
    polarity = readings.kind.name[0]
    name = readings.kind.name
    return MeasuredPart(name, "", polarity, fitted.found, {}, tuple(pairs), fitted)


def _rising(pairs: Sequence[Reading], least: int, what: str) -> list[Reading]:
    """Readings by current, at least so many, the volts rising with it."""
    ordered = sorted(pairs, key=lambda p: p.at)
    if len({p.at for p in ordered}) < least:
        count = len({p.at for p in pairs})
        raise UsageError(f"--measure: needs {what} at {least} currents or more (got {count})")
    low, high = ordered[0], ordered[-1]
    if not high.shown > low.shown:
        raise UsageError(
            f"--measure: {what} must rise with current (got {low.text} and {high.text})"
        )
    return ordered


def _falling(readings: Readings, sign: float) -> list[Reading]:
    """Readings by gate volts, the current falling (a JFET) or rising (a MOSFET) with them."""
    ordered = sorted(readings.pairs, key=lambda p: abs(p.at))
    if len({p.at for p in ordered}) < 2:
        raise UsageError(
            "--measure: needs currents at 2 gate voltages or more "
            f"(got {len({p.at for p in ordered})})"
        )
    low, high = ordered[0], ordered[-1]
    if not sign * (high.shown - low.shown) > 0.0:
        raise UsageError(
            f"--measure: current must {'rise' if sign > 0 else 'fall'} as the gate's volts grow "
            f"(got {low.text} and {high.text})"
        )
    return ordered


_KINDS: dict[str, Callable[[Readings, float], MeasuredPart]] = {
    **dict.fromkeys(("diode", "germanium", "schottky", "led"), _diode),
    "zener": _zener,
    **dict.fromkeys(("npn", "pnp", "germanium-npn", "germanium-pnp"), _transistor),
    **dict.fromkeys(("njfet", "pjfet"), _jfet),
    **dict.fromkeys(("nmosfet", "pmosfet"), _mosfet),
}
