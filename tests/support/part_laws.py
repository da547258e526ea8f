"""What a part gives at a point of its data sheet, by laws written apart from the package's.

The laws are Shockley's for diodes, Gummel and Poon's for transistors (``circuit_oracle``), the
square law of Shichman and Hodges for field-effect transistors and an exponential breakdown for
Zener diodes. A model is anything with the attributes of the package's models. Of P types, and of
what flows backwards, all volts and currents are magnitudes.
"""

import math

import numpy as np
from circuit_oracle import VT, gummel_poon
from scipy.optimize import brentq

_STEP_V = 2.0 * VT


def diode_value(model, point: dict) -> float:
    """Forward volts, across junction and series resistance."""
    current = point["forward_a"]
    return _forward_v(model, current) + current * model.series_resistance_ohm


def _forward_v(model, current: float) -> float:
    return model.emission_coefficient * VT * math.log1p(current / model.saturation_current_a)


def zener_value(model, point: dict) -> float:
    """Forward or breakdown volts, differential resistance or leakage."""
    of, knee = point["of"], model.knee_v
    if of == "vf":
        return diode_value(model, point)
    if of == "drift":
        return model.breakdown_per_k
    test, breakdown = model.test_current_a, model.breakdown_v
    resting = test * math.exp(-breakdown / knee)  # what flows at no voltage, taken off
    if of == "leakage":
        raised = test * math.exp((point["reverse_v"] - breakdown) / knee)
        return model.saturation_current_a + raised - resting
    current = point["reverse_a"]
    if of == "zz":
        return knee / (current + resting) + model.series_resistance_ohm
    junction = breakdown + knee * math.log((current + resting) / test)
    return junction + current * model.series_resistance_ohm


def transistor_value(model, point: dict) -> float:
    """Gain, base or saturation volts, output conductance or leakage."""
    of, rb = point["of"], model.base_resistance_ohm
    if of == "icbo":
        return open_emitter(model, point["collector_base_v"])
    if of.endswith("_sat"):
        vbe, vbc = saturated(model, point["collector_a"], point["base_a"])
        return vbe - vbc if of == "vce_sat" else vbe + rb * point["base_a"]
    vbe, base, slope = at_collector(model, point["collector_a"], point["collector_emitter_v"])
    if of == "hfe":
        return point["collector_a"] / base
    return -slope if of == "hoe" else vbe + rb * base


def at_collector(model, collector_a: float, collector_emitter_v: float):
    """Junction volts, base current and collector slope of a transistor in its active region."""

    def excess(vbe: float) -> float:
        return gummel_poon(vbe, vbe - collector_emitter_v, model)[1][0] - collector_a

    # Near saturation more base current takes collector current away again: the first crossing.
    most = (
        1.5 if excess(1.5) > 0.0 else next(v for v in np.arange(0.02, 1.5, 0.02) if excess(v) > 0)
    )
    vbe = brentq(excess, 0.0, most, xtol=1e-14)
    (base, *_), (_, _, slope_bc) = gummel_poon(vbe, vbe - collector_emitter_v, model)
    return vbe, base, slope_bc


def saturated(model, collector_a: float, base_a: float) -> tuple[float, float]:
    """Volts of both junctions for given currents, by Newton's method with limited steps."""
    v = np.array([0.7, 0.6])
    for _ in range(60):
        (ib, *ib_slopes), (ic, *ic_slopes) = gummel_poon(*v, model)
        step = np.linalg.solve([ib_slopes, ic_slopes], [base_a - ib, collector_a - ic])
        limit = np.where(v > 0.2, _STEP_V, 1.0)  # a junction that blocks may go far
        v += np.clip(step, -limit, limit)
        if np.abs(step).max() < 1e-13:
            return float(v[0]), float(v[1])
    return _bracketed(model, collector_a, base_a)


def _bracketed(model, collector_a: float, base_a: float) -> tuple[float, float]:
    """The same by bracketing; the end of the bracket for a gain too low ever to saturate."""

    def vbe_at(vbc: float) -> float:
        return brentq(lambda v: gummel_poon(v, vbc, model)[0][0] - base_a, -1.0, 2.0, xtol=1e-14)

    def missing(vbc: float) -> float:
        return gummel_poon(vbe_at(vbc), vbc, model)[1][0] - collector_a

    low, high = -100.0, 0.6
    vbc = low if missing(low) <= 0.0 else brentq(missing, low, high, xtol=1e-12)
    return vbe_at(vbc), vbc


def open_emitter(model, collector_base_v: float) -> float:
    """Current from collector to base with the emitter open."""

    def emitter(vbe: float) -> float:
        (base, *_), (collector, *_) = gummel_poon(vbe, -collector_base_v, model)
        return base + collector

    vbe = brentq(emitter, -2.0, 0.5, xtol=1e-14)
    return gummel_poon(vbe, -collector_base_v, model)[1][0]


def jfet_value(model, point: dict) -> float:
    """Drain current, slopes and channel resistance at no gate voltage; gate volts of a current."""
    of, idss, pinch = point["of"], model.idss_a, model.pinch_off_v
    if of == "rds_on":
        return pinch / (2.0 * idss)
    lengthened = 1.0 + model.channel_length_per_v * point["drain_source_v"]
    if of in ("vgs", "vgs_off"):
        return pinch * (1.0 - math.sqrt(point["drain_a"] / (idss * lengthened)))
    if of == "gos":
        return idss * model.channel_length_per_v
    return {"idss": idss, "gfs": 2.0 * idss / pinch}[of] * lengthened


def mosfet_value(model, point: dict) -> float:
    """Threshold at a stated current, drain current, slopes, resistance, volts of the body diode."""
    of, k, early = point["of"], model.transconductance_a_v2, model.channel_length_per_v
    if of == "vsd":
        return VT * math.log1p(point["source_a"] / model.body_saturation_current_a)
    if of == "vth":
        return model.threshold_v + math.sqrt(2.0 * point["drain_a"] / k)
    if of == "gfs":
        return math.sqrt(2.0 * k * point["drain_a"])
    if of == "gos":
        return early * point["drain_a"] / (1.0 + early * point["drain_source_v"])
    over = point["gate_source_v"] - model.threshold_v
    if of == "id_on":
        return k / 2.0 * over**2 * (1.0 + early * point["drain_source_v"])
    current = point["drain_a"]

    def excess(v: float) -> float:
        return k / 2.0 * (over**2 - (over - v) ** 2) * (1.0 + early * v) - current

    # A channel too weak for the current is told by the resistance it would have, extrapolated.
    least = current / (k * over) if over > 0.0 else math.inf
    if over <= 0.0 or excess(over) <= 0.0:
        return 2.0 * least / current if math.isfinite(least) else 1e9
    return brentq(excess, 0.0, over, xtol=1e-14) / current


def opamp_value(model, point: dict) -> float | None:
    """What the model holds of a figure, or None if it holds none."""
    of = point["of"]
    if of.startswith("swing_"):
        return point["rail_v"] - getattr(model, f"headroom_{of.removeprefix('swing_')}_v")
    found = [name for name in vars(model) if name.startswith(of)]
    return getattr(model, found[0]) if found else None
