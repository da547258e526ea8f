"""Blocks of `fet_pnp_clipper`: what each does, against the formulas that chose its values.

Authority: textbook expressions of the source follower, the degenerate common emitter and the
inverting amplifier (A. S. Sedra, K. C. Smith, Microelectronic Circuits; from memory, not located),
and SUNDIALS IDA on the whole.
"""

import numpy as np
import pytest
import soxr
from circuit_oracle import CircuitOracle
from signals import energy_ratio_db, guitar_like, guitar_like_slope

from vadist import load_design
from vadist.analysis.chain_response import solve_design, stage_responses
from vadist.rendering.arrays import render

NAME = "fet_pnp_clipper"
FS, FACTOR, FRAMES, REACH = 48_000, 16, 1200, 256


def gain(design, stage):
    return stage_responses(solve_design(design), [1e3])[stage][0]


def slopes(design, part):
    (placed,) = (p for p in solve_design(design).resting_devices() if p.device.part == part)
    return placed.device.record.figures(placed.resting), placed.resting


def test_the_jfet_follows():
    """Gm R/(1 + gm R) into its own resistor beside the boost's input."""
    design = load_design(NAME)
    figures, _ = slopes(design, "buffer.fet")
    # 15k and 68k beside beta (re + 280R), re 29R, beta 160: 9k8; its capacitor passes 1 kHz.
    load = 1.0 / (1.0 / 8.2e3 + 1.0 / 15e3 + 1.0 / 68e3 + 1.0 / (160.0 * 310.0))
    wanted = figures["gm"][0] * load / (1.0 + figures["gm"][0] * load)
    print(f"{abs(gain(design, 'buffer')):.4f}, {wanted:.4f} on paper")
    # lambda and the boost's capacitor, 482 ohm at 1 kHz, are left out.
    assert abs(gain(design, "buffer")) == pytest.approx(wanted, rel=0.02)


def test_the_pnp_boosts():
    """Rl/(re + Re || leg), the collector loaded by the 22k after it; turned round."""
    design = load_design(NAME)
    figures, _ = slopes(design, "boost.transistor")
    assert figures["Ic"][0] == pytest.approx(0.9e-3, rel=0.05)
    load = 1.0 / (1.0 / 3.9e3 + 1.0 / 22e3)
    wanted = load / (1.0 / figures["gm"][0] + 1.0 / (1.0 / 1e3 + 1.0 / 390.0))
    found = gain(design, "boost")
    print(f"{abs(found):.2f}, {wanted:.2f} on paper")
    # Early effect and base current, a hundredth each, and what is left of the capacitors.
    assert abs(found) == pytest.approx(wanted, rel=0.04)
    assert found.real < 0.0


@pytest.mark.parametrize("drive", [0.0, 0.5, 1.0])
def test_the_inverting_gain(drive):
    """-Zf/22k, Zf the feedback beside its 33 pF; a loop gain of 3 MHz/f over the noise gain."""
    design = load_design(NAME).with_value("drive", drive)
    ohm = 22e3 + 500e3 * design.positioned().value("gain.drive").wiper
    wanted = -1.0 / (1.0 / ohm + 2j * np.pi * 1e3 * 33e-12) / (22e3 + 1.0 / (2j * np.pi * 330e-6))
    found = gain(design, "gain")
    assert found == pytest.approx(wanted, rel=0.012)


def test_the_whole_against_ida():
    """25 ms of a plucked note at 16x, undivided: -80 dB or better."""
    pytest.importorskip("sksundae", reason="scikit-sundae has no wheel for this machine")
    design = load_design(NAME)
    solved = solve_design(design)
    oracle = CircuitOracle(solved.network, {d.part: d.model for d in solved.network.devices})
    fast = np.arange(FRAMES * FACTOR) / (FS * FACTOR)
    rest = solved.node_v
    volts = oracle.solve(
        rest, fast, guitar_like, guitar_like_slope, solved.output, rtol=1e-8, atol=1e-9
    )
    settled = rest[solved.output]
    wanted = soxr.resample(volts - settled, FS * FACTOR, FS, "VHQ")[: FRAMES - REACH]
    result = render(design, guitar_like(np.arange(FRAMES) / FS), FS, oversample=FACTOR)
    found = result.volts[: FRAMES - REACH, 0] - settled
    error_db = energy_ratio_db(found - wanted, wanted)
    print(f"{error_db:.1f} dB, own estimate {result.diagnostics.error_db:.1f} dB")
    assert error_db < -80.0
