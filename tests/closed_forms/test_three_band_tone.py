"""A passive network of three knobs against nodal equations written a second time.

Authority: Kirchhoff's current law at every node, complex admittances, solved by numpy, over a list
of elements typed here by hand from the drawing; and the targets the preset states beside its
values.
"""

from itertools import product

import numpy as np
import pytest

from vadist.analysis.chain_response import solve_design, stage_responses
from vadist.designs.design import Design
from vadist.designs.files import load_design

FREQUENCIES_HZ = np.geomspace(20.0, 20e3, 61)
LOAD_OHM = 1e6
TRACK_OHM, MIX_OHM = 100e3, 100e3
POSITIONS = (0.0, 0.5, 1.0)
WIRE_OHM = 1e-5


def network() -> Design:
    """The network of the preset alone, between an ideal source and a load."""
    preset = load_design("three_band_clipper")
    knobs = {name: preset.controls[name] for name in ("bass", "middle", "treble")}
    return Design(
        "tone", {"tone": preset.stages["tone"]}, controls=knobs, load_ohm=LOAD_OHM,
        input_at_bias=True,
    )  # fmt: skip


def nodal_db(bass: float, middle: float, treble: float) -> np.ndarray:
    """Gain of the drawing, dB: admittances by hand, one linear system a frequency."""
    names = ("low", "low_w", "mid_in", "mid", "mid_w", "high", "high_w", "out")
    nodes = {name: k for k, name in enumerate(names)}

    def halves(top, wiper, turned):
        above, below = TRACK_OHM * (1.0 - turned), TRACK_OHM * turned
        return [(top, wiper, "R", max(above, WIRE_OHM)), (wiper, "gnd", "R", max(below, WIRE_OHM))]

    elements = [
        ("in", "low", "R", 10e3), ("low", "gnd", "C", 68e-9), *halves("low", "low_w", bass),
        ("low_w", "out", "R", MIX_OHM),
        ("in", "mid_in", "R", 10e3), ("mid_in", "gnd", "C", 6.8e-9), ("mid_in", "mid", "C", 6.8e-9),
        *halves("mid", "mid_w", middle), ("mid_w", "out", "R", MIX_OHM),
        ("in", "high", "C", 4.7e-9), ("high", "gnd", "R", 15e3), *halves("high", "high_w", treble),
        ("high_w", "out", "R", MIX_OHM), ("out", "gnd", "R", LOAD_OHM),
    ]  # fmt: skip
    gains = []
    for f in FREQUENCIES_HZ:
        matrix, right = np.zeros((len(nodes),) * 2, complex), np.zeros(len(nodes), complex)
        for a, b, kind, value in elements:
            admittance = 1.0 / value if kind == "R" else 2j * np.pi * f * value
            for here, there in ((a, b), (b, a)):
                if here in nodes:
                    matrix[nodes[here], nodes[here]] += admittance
                    if there in nodes:
                        matrix[nodes[here], nodes[there]] -= admittance
                    elif there == "in":
                        right[nodes[here]] += admittance
        gains.append(np.linalg.solve(matrix, right)[nodes["out"]])
    return decibels(np.array(gains))


def found(bass: float, middle: float, treble: float) -> np.ndarray:
    design = network()
    for name, position in (("bass", bass), ("middle", middle), ("treble", treble)):
        design = design.with_value(name, position)
    return stage_responses(solve_design(design), FREQUENCIES_HZ)["tone"]


def decibels(gains: np.ndarray) -> np.ndarray:
    return 20.0 * np.log10(np.abs(gains))


def test_27_settings_within_a_hundredth_of_a_decibel() -> None:
    """All knobs at both ends and in the middle; with all at 0 nothing is left to compare."""
    worst = 0.0
    for knobs in product(POSITIONS, repeat=3):
        if knobs == (0.0, 0.0, 0.0):
            assert (found(*knobs) == 0.0).all()
            assert nodal_db(*knobs).max() < -150.0
            continue
        worst = max(worst, np.abs(decibels(found(*knobs)) - nodal_db(*knobs)).max())
    print(f"three-knob network: within {worst:.1e} dB at 27 settings")
    assert worst < 0.01


def test_it_meets_its_targets() -> None:
    """Flat at half rotation; each knob moves its own band by 5.5 dB or more either way."""
    flat = decibels(found(0.5, 0.5, 0.5))
    heard = (FREQUENCIES_HZ > 80.0) & (FREQUENCIES_HZ < 8e3)
    assert np.ptp(flat[heard]) < 0.4  # +-0.2 dB
    assert flat[heard].mean() == pytest.approx(-16.0, abs=0.2)  # what the make-up gain is for
    for knob, hertz in enumerate((82.0, 760.0, 8e3)):
        band = np.abs(np.log(FREQUENCIES_HZ / hertz)).argmin()
        for end, sign in ((1.0, 1.0), (0.0, -1.0)):
            knobs = [0.5, 0.5, 0.5]
            knobs[knob] = end
            assert sign * (decibels(found(*knobs)) - flat)[band] > 5.5
