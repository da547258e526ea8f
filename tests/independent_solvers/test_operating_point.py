"""Random chains and once stubborn circuits rest where an independent sum of currents says they do.

Authority: Kirchhoff's current law with device laws written a second time
(``tests/support/kirchhoff.py``), on the network as the stages drew it. 5 000 chains are run by
``tests/studies/operating_points.py``; the tolerances are its.
"""

import re

import numpy as np
import pytest
from example_circuits import SILICON, antiparallel
from kirchhoff import judge
from random_chains import ChainMaker

from vadist.analysis.chain_response import solve_design
from vadist.circuits import operating_point
from vadist.circuits.network import DiodeString
from vadist.designs.chain import Chain
from vadist.designs.files import load_design, preset_names
from vadist.designs.supply import Supply
from vadist.errors import ConvergenceError, DesignError
from vadist.parts import find_diode, find_opamp
from vadist.stages import CouplingHighPass, DiodeClipper, DiodePair, FeedbackClipper, Pot

PHYSICAL = re.compile(
    "needs more than .* of supply|has no resistance and shorts|nothing limits its current"
)


def confirmed(design):
    """Solve, and let Kirchhoff confirm: 1e-8 of currents and of volts."""
    volts = solve_design(design).node_v
    found = judge(design, volts)
    assert found.imbalance <= 1e-8
    assert found.correction_v <= 1e-8 * max(abs(v) for v in volts.values())
    assert found.spread_v <= 1e-13
    return volts


def rest_or_reason(seeds):
    """How many random chains rest; the others must be refused for a physical reason."""
    found = 0
    for seed in seeds:
        try:
            confirmed(ChainMaker(seed).design())
        except DesignError as error:
            if "\n" in str(error) or not PHYSICAL.search(str(error)):
                pytest.fail(f"seed {seed}: {error}")
        else:
            found += 1
    return found


def test_random_chains():
    found = rest_or_reason(range(10_000, 10_200))
    print(f"{found} of 200 random chains rest as Kirchhoff says")
    assert found > 160


def test_random_chains_switched_on(monkeypatch):
    """What stands behind Newton must do alone."""
    monkeypatch.setattr(operating_point, "DIRECT_STEPS", 0)
    assert rest_or_reason(range(20_000, 20_040)) > 30


def test_both_ways_lead_to_one_point(monkeypatch):
    design = load_design("boosted_hard_clipper")
    direct = solve_design(design).node_v
    monkeypatch.setattr(operating_point, "DIRECT_STEPS", 0)
    switched_on = solve_design(design).node_v
    assert max(abs(direct[node] - switched_on[node]) for node in direct) < 1e-9


def test_without_either_it_is_told(monkeypatch):
    monkeypatch.setattr(operating_point, "DIRECT_STEPS", 0)
    monkeypatch.setattr(operating_point, "_EULER_STEPS", 0)
    with pytest.raises(ConvergenceError, match="point found for supply, buffer, boost"):
        solve_design(load_design("boosted_hard_clipper"))


@pytest.mark.parametrize(
    "name", [n for n in preset_names() if "output_buffer" in load_design(n).stages]
)
def test_no_base_resistor(name):
    confirmed(load_design(name).with_value("output_buffer.base_resistor", 0.0))


def test_four_hundred_base_resistors():
    design = load_design("boosted_hard_clipper")
    for ohm in (0.01, 1.0, 10e3):
        confirmed(design.with_value("boost.base_resistor", ohm))
    collectors = [
        solve_design(design.with_value("boost.base_resistor", float(ohm))).node_v["boost.output"]
        for ohm in np.geomspace(0.01, 10e3, 400)
    ]
    # No direct current flows in it.
    assert np.ptp(collectors) < 1e-9


def string(name, count=1):
    return DiodeString(find_diode(name), count)


UNEQUAL = [
    DiodePair(string("1N4148"), string("red LED")),
    DiodePair(string("1N34A"), string("1N4148", 2)),
    DiodePair(string("BAT41", 2), string("1N5817")),
    DiodePair(string("red LED"), None),
]


@pytest.mark.parametrize("diodes", UNEQUAL)
def test_clipper_behind_a_capacitor(diodes):
    """No current flows, so the diodes rest at the bias rail exactly."""
    clipper = DiodeClipper(series_resistor=2.7e3, diodes=diodes, input_capacitor=100e-9)
    after = CouplingHighPass(capacitor=100e-9, bias_resistor=100e3)
    volts = confirmed(Chain([clipper, after]).design())
    assert volts["stage_1.output"] == pytest.approx(4.5, abs=1e-12)


@pytest.mark.parametrize("drive_ohm", [500e3, 750e3, 1e6])
@pytest.mark.parametrize("opamp", ["TL072", "NE5532", "RC4558"])
def test_large_drive_on_eighteen_volts(drive_ohm, opamp):
    # A gain of 200 and more: 3k3 under the pot. Bass from 1/(2 pi 3k3 150n) = 322 Hz on.
    clipper = FeedbackClipper(
        opamp=find_opamp(opamp), feedback_resistor=3.3e3, leg_resistor=3.3e3, leg_capacitor=150e-9,
        drive_pot=Pot(drive_ohm, 1.0), diodes=antiparallel(SILICON),
    )  # fmt: skip
    volts = confirmed(Chain([clipper], Supply(18.0)).design())
    assert volts["stage_1.output"] == pytest.approx(9.0, abs=1e-9)


@pytest.mark.parametrize("count", [6, 9, 12])
@pytest.mark.parametrize("input_capacitor", [None, 100e-9])
def test_clippers_in_a_row(count, input_capacitor):
    clipper = DiodeClipper(
        series_resistor=2.7e3, diodes=UNEQUAL[0], input_capacitor=input_capacitor,
        shunt_capacitor=12e-9,  # 1/(2 pi 2k7 12n) = 4.9 kHz
    )  # fmt: skip
    confirmed(Chain([clipper] * count, load_ohm=1e6).design())
