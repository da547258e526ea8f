"""How far a junction's capacitance, held at its resting value, is from the charge that moves.

A common emitter of the capacitances of a small transistor, at 1 mA behind 10k and at 20 uA behind
100k, and a diode clipper behind 100k, each at 20 kHz with sines that grow: the fundamental at the
output with capacitances that follow the junctions' volts, over that with the resting ones.
Integrated by scipy's Radau; nothing of the package but the formula of the capacitance takes part.

    python tests/studies/junction_charge.py
"""

import sys
from pathlib import Path

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import fsolve

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from circuit_oracle import VT, gummel_poon
from example_devices import NPN

from vadist.devices.depletion import depletion_capacitance

HZ, PERIODS = 20e3, 6
SUPPLY_V = 9.0
C_BE, C_BC, TRANSIT_S = 4.5e-12, 3.6e-12, 0.3e-9
C_DIODE = 4e-12


def fundamental(slopes, start, peak_v, moving):
    """Amplitude at the output over the last period, and how far it goes."""
    period = 1.0 / HZ
    times = np.linspace((PERIODS - 1) * period, PERIODS * period, 400, endpoint=False)
    found = solve_ivp(
        slopes, (0.0, PERIODS * period), start, "Radau", times, rtol=1e-8, atol=1e-10,
        args=(peak_v, moving), max_step=period / 50.0,
    )  # fmt: skip
    wave = found.y[-1]
    return abs(np.mean(wave * np.exp(-2j * np.pi * HZ * times))) * 2.0, np.ptp(wave)


def common_emitter(source_ohm, load_ohm, input_v, times=1.0):
    """Slopes of base and collector, capacitances resting or moving, and where it rests."""

    def into(v, drive):
        (base, _, _), (collector, gm, _) = gummel_poon(v[0], v[0] - v[1], NPN)
        return np.array([
            (drive - v[0]) / source_ohm - base,
            (SUPPLY_V - v[1]) / load_ohm - collector,
        ]), gm  # fmt: skip

    rest = fsolve(lambda v: into(v, input_v)[0], [0.65, 4.5], xtol=1e-12)

    def mass(v, gm):
        emitter = depletion_capacitance(C_BE, v[0], 0.75, 0.33) + TRANSIT_S * gm
        collector = depletion_capacitance(C_BC, v[0] - v[1], 0.75, 0.33)
        return times * np.array([[emitter + collector, -collector], [-collector, collector]])

    held = np.linalg.inv(mass(rest, into(rest, input_v)[1]))

    def slopes(t, v, peak_v, moving):
        flow, gm = into(v, input_v + peak_v * np.sin(2.0 * np.pi * HZ * t))
        return np.linalg.solve(mass(v, gm), flow) if moving else held @ flow

    return slopes, rest


def clipper():
    """The same of a node between 100k and two diodes of the 1N4148's law."""

    def slopes(t, v, peak_v, moving):
        at = v[0] if moving else 0.0
        farad = sum(depletion_capacitance(C_DIODE, s * at, 1.0, 0.5) for s in (1.0, -1.0))
        current = 2.0 * 9.223e-9 * np.sinh(v[0] / (1.935 * VT))
        return [((peak_v * np.sin(2.0 * np.pi * HZ * t) - v[0]) / 100e3 - current) / farad]

    return slopes, np.zeros(1)


def main():
    """Print both tables."""
    print("input, peak  output, p-p  moving over resting")
    for title, (slopes, rest), peaks in (
        ("1 mA behind 10k", common_emitter(10e3, 3.9e3, 0.74), (1e-3, 0.03, 0.1, 1.0)),
        ("20 uA behind 100k", common_emitter(1e5, 220e3, 0.588), (1e-3, 0.03, 0.1, 0.3, 1.0)),
        (
            "the same, ten times the capacitance",
            common_emitter(1e5, 220e3, 0.588, 10.0),
            (1e-3, 0.1, 0.3, 1.0),
        ),
        ("diodes behind 100k", clipper(), (0.1, 1.0, 3.0)),
    ):
        print(f"{title}, resting at {', '.join(f'{v:.3f} V' for v in rest)}")
        for peak_v in peaks:
            levels = [fundamental(slopes, rest, peak_v, moving) for moving in (False, True)]
            off = 20.0 * np.log10(levels[1][0] / levels[0][0])
            print(f"{peak_v * 1e3:8.0f} mV  {levels[1][1]:9.2f} V  {off:+.2f} dB")


if __name__ == "__main__":
    main()
