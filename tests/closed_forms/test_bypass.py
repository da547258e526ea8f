"""What a bypass does to the charge of coupling capacitors.

Authority: one capacitor and the resistances it sees, written down: it charges, floats, and meets
the signal again with the volts it kept, less what its pull-down took.
"""

import numpy as np
import pytest

from vadist.designs.files import parse_design
from vadist.rendering.arrays import render

FS = 48_000
CLOSED_OHM, OPEN_OHM = 0.05, 1e11
LOAD_OHM, FARAD = 1e5, 100e-9

# 1/(2 pi 100n 100k) = 16 Hz: a volt is 1/e after 10 ms.
PAD = """
name = "pad"
[load]
resistance = "100k"
[[stage]]
name = "pad"
type = "wired"
[stage.parts]
c = "capacitor 100n: source to output"
"""
TIME = np.arange(19_200) / FS
VOLT = np.where(TIME < 0.2, 1.0, 0.0)
MOVE = "bypass=in@0s,out@0.1s,in@0.3s"
# The take's own step lies half a sample before its first one.
CHARGED_V = 1.0 - np.exp(-(0.1 + 0.5 / FS) / (LOAD_OHM * FARAD))


def at(volts, seconds):
    """Volts at a time that is far from every edge, for the filters' sake."""
    return volts[round(seconds * FS)]


@pytest.mark.parametrize(
    ("bypass", "drained_ohm"),
    [
        ("true", 2.0 * OPEN_OHM),
        ("true,pull_down=2M", 1.0 / (1.0 / 2e6 + 1.0 / OPEN_OHM) + OPEN_OHM),
    ],
)
def test_a_coupling_capacitor_floats_and_comes_back(bypass, drained_ohm) -> None:
    """A volt charges it; bypassed the volt is heard; 0.2 s later it pushes its own volts out.

    Both its ends float: what it loses goes through both open contacts, pull-down or not.
    """
    found = render(parse_design(PAD), VOLT, FS, moves=[MOVE], bypass=bypass)
    kept_v = CHARGED_V * np.exp(-0.2 / (drained_ohm * FARAD))
    wanted = {
        0.05: np.exp(-(0.05 + 0.5 / FS) / (LOAD_OHM * FARAD)),
        0.15: LOAD_OHM / (LOAD_OHM + CLOSED_OHM),
        0.25: 0.0,
        0.31: -kept_v * np.exp(-0.01 / ((LOAD_OHM + 2.0 * CLOSED_OHM) * FARAD)),
        0.34: -kept_v * np.exp(-0.04 / ((LOAD_OHM + 2.0 * CLOSED_OHM) * FARAD)),
    }
    for seconds, volts in wanted.items():
        heard = at(found.volts[:, 0], seconds)
        print(f"{seconds} s: {heard:.7f} V, {volts:.7f}")
        assert heard == pytest.approx(volts, abs=3e-5)


def test_a_buffered_one_stays_charged_by_the_signal() -> None:
    """Driven on, with its output in the air, it follows the volt to where the leak lets it."""
    found = render(parse_design(PAD), VOLT, FS, moves=[MOVE], bypass="buffered")
    kept_v = CHARGED_V  # the open output contact alone discharges it, by 1e-5
    wanted = -kept_v * np.exp(-0.01 / (LOAD_OHM * FARAD))
    assert at(found.volts[:, 0], 0.31) == pytest.approx(wanted, abs=3e-5)
    assert at(found.volts[:, 0], 0.15) == pytest.approx(1.0, abs=1e-6)


def test_a_capacitor_that_pull_downs_discharge() -> None:
    """100k of its own behind it and 1M before it empty 100n by a time constant of 0.11 s."""
    text = PAD + 'tie = "resistor 100k: output to ground"\n'
    found = render(parse_design(text), VOLT, FS, moves=[MOVE], bypass="true,pull_down=1M").volts[
        :, 0
    ]
    loaded_ohm = 1.0 / (1.0 / LOAD_OHM + 1.0 / 1e5)
    charged_v = 1.0 - np.exp(-(0.1 + 0.5 / FS) / (loaded_ohm * FARAD))
    kept_v = charged_v * np.exp(-0.2 / (1.1e6 * FARAD))
    wanted = -kept_v * np.exp(-0.004 / (loaded_ohm * FARAD))
    print(f"{at(found, 0.304):.7f} V, {wanted:.7f}")
    assert at(found, 0.304) == pytest.approx(wanted, abs=1e-5)


def test_the_click_is_of_second_order() -> None:
    """The step that a throw makes: an error of -80 dB at 8x, 12 dB less at 16x, as stated."""
    says = [
        render(parse_design(PAD), VOLT, FS, moves=[MOVE], oversample=factor).diagnostics.error_db
        for factor in (8, 16)
    ]
    print(says)
    assert says[0] < -80.0
    assert says[0] - says[1] == pytest.approx(12.0, abs=1.0)
