"""Device laws a second time, region by region, as textbooks print them.

Authority: H. Shichman, D. A. Hodges, IEEE Journal of Solid-State Circuits 3(3), 1968, for the
square law; A. Vladimirescu, The SPICE Book, 1994, for breakdown (both from memory, not located).
Functions take floats or mpmath numbers, currents flow into the terminal named, and N-channel is
meant; of a P-channel every sign is reversed by the caller.
"""

import math


def square_law(vgs, vds, factor, threshold, channel_per_v):
    """Drain current of a channel and its slopes in vgs and vds."""
    if vds < 0:
        # Drain and source change places.
        current, by_gate, by_drain = square_law(vgs - vds, -vds, factor, threshold, channel_per_v)
        return -current, -by_gate, by_gate + by_drain
    over = vgs - threshold
    longer = 1 + channel_per_v * vds
    if over <= 0:
        return 0.0 * vgs, 0.0 * vgs, 0.0 * vgs
    if vds < over:
        plain = factor * (2 * over * vds - vds * vds)
        return (
            plain * longer,
            2 * factor * vds * longer,
            2 * factor * (over - vds) * longer + plain * channel_per_v,
        )
    plain = factor * over * over
    return plain * longer, 2 * factor * over * longer, plain * channel_per_v


def junction(v, saturation_a, slope_v, exp=lambda x: math.exp(min(x, 500.0))):
    """Current and slope of an ideal diode."""
    e = exp(v / slope_v)
    return saturation_a * (e - 1), saturation_a * e / slope_v


def jfet_currents(vgs, vds, model, vt, exp=lambda x: math.exp(min(x, 500.0))):
    """Gate and drain current, each with its slopes in vgs and vds."""
    factor = model.idss_a / model.pinch_off_v**2
    drain, by_gate, by_drain = square_law(
        vgs, vds, factor, -model.pinch_off_v, model.channel_length_per_v
    )
    i_s, g_s = junction(vgs, model.gate_saturation_current_a, vt, exp)
    i_d, g_d = junction(vgs - vds, model.gate_saturation_current_a, vt, exp)
    return (i_s + i_d, g_s + g_d, -g_d), (drain - i_d, by_gate - g_d, by_drain + g_d)


def mosfet_current(vgs, vds, model, vt, exp=lambda x: math.exp(min(x, 500.0))):
    """Drain current with its slopes in vgs and vds, body diode included."""
    drain, by_gate, by_drain = square_law(
        vgs,
        vds,
        model.transconductance_a_v2 / 2,
        model.threshold_v,
        model.channel_length_per_v,
    )
    body, slope = junction(-vds, model.body_saturation_current_a, vt, exp)
    return drain - body, by_gate, by_drain + slope


def zener_current(v, model, vt, exp=lambda x: math.exp(min(x, 500.0))):
    """Current from anode to cathode and its slope, inside the series resistance."""
    forward, g_f = junction(v, model.saturation_current_a, model.emission_coefficient * vt, exp)
    broken = model.test_current_a * exp(-(v + model.breakdown_v) / model.knee_v)
    at_rest = model.test_current_a * exp(-model.breakdown_v / model.knee_v)
    return forward - (broken - at_rest), g_f + broken / model.knee_v
