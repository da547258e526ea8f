"""Contract of the supply's keys: files, ``--set``, fits and descriptions take them as any value.

Authority: the messages the documents promise: one line with place, rule and what would do.
"""

import pytest

from vadist.analysis.chain_response import solve_design
from vadist.audition.candidates import make_candidates
from vadist.designs.design import Design
from vadist.designs.files import apply_settings, load_design, parse_design, write_design
from vadist.designs.supply import Ripple, Supply
from vadist.errors import DesignError, DesignWarning
from vadist.fitting.values import every_value, free_values

STAGE = '[[stage]]\nname = "c"\ntype = "coupling_high_pass"\ncapacitor = "100n"\n'
STAGE += 'bias_resistor = "100k"\n'
# 0.9 mA from 9 V: 10k. Wanted 1 Hz: 1/(2 pi 2k5 1 Hz) = 64 uF.
DIVIDER = 'bias_upper = "5k1"\nbias_lower = "5k1"\nbias_capacitor = "68u"\n'


def design(keys: str = "") -> Design:
    return parse_design(f'name = "d"\n[supply]\n{keys}{STAGE}', "d.toml")


@pytest.mark.parametrize(
    ("keys", "told"),
    [
        ('bias_upper = "5k1"', "bias_lower is missing; a divider has bias_upper and bias_lower"),
        ('bias_lower = "5k1"', "bias_upper is missing; a divider has bias_lower and bias_upper"),
        ("bias = 0.5\n" + DIVIDER, "bias holds the rail stiff and bias_upper, bias_lower divide"),
        ('bias_capacitor = "68u"', "bias_capacitor needs a divider; give bias_upper and bias_l"),
        ('bias_buffer = "TL072"', "bias_buffer needs a divider; give bias_upper and bias_lower"),
        ('bias_upper = "0R"\nbias_lower = "1k"', r"bias_upper must be at least 1 ohm .got 0."),
        ("bias = 1.5", r"bias must be between 0 and 1 of the supply .got 1.5."),
        ('resistance = "47u"', "resistance must be a resistance in ohms"),
        ('resistance = "-1"', r"resistance must be within 0\.\.1e\+09 ohm .got -1."),
        ('filter_capacitor = "104"', "filter_capacitor must be .*means 100n; write '100n'"),
        ('ripple = "20mV"', 'ripple must be peak volts and a frequency, such as "20mV 120Hz"'),
        ('ripple = "20mV 120V"', 'ripple must be peak volts and a frequency, such as "20mV 120Hz"'),
        ("ripple = 0.02", 'ripple must be peak volts and a frequency, such as "20mV 120Hz"'),
        ('ripple = "0V 120Hz"', "ripple must be > 0 V peak"),
        ('ripple = "20mV 1MHz"', r"ripple must be within 1\.\.100000 Hz .got 1e\+06."),
        ('resistence = "10R"', "unknown key 'resistence'; did you mean 'resistance'"),
        ('volts = "0.5V"', r"volts must be within 1\.\.60 V .got 0.5."),
    ],
)
def test_a_fault_is_one_line_with_its_place(keys: str, told: str) -> None:
    with pytest.raises(DesignError, match=rf"^d\.toml: supply: {told}") as found:
        design(keys + "\n")
    assert len(str(found.value).splitlines()) == 1


def test_a_capacitor_across_a_stiff_source_is_told() -> None:
    with pytest.warns(DesignWarning, match=r"^d\.toml: supply: filter_capacitor does nothing"):
        kept = design('filter_capacitor = "100u"\n')
    assert kept.network().capacitors == design().network().capacitors
    with pytest.warns(DesignWarning, match=r"^supply\.filter_capacitor does nothing across"):
        design().with_value("supply.filter_capacitor", "100u")
    quiet = apply_settings(design(), ["supply.resistance=10R", "supply.filter_capacitor=100u"])
    assert quiet.supply == Supply(resistance=10.0, filter_capacitor=100e-6)


def test_a_divider_comes_and_goes_by_settings() -> None:
    """One resistor makes it, at the fraction there was; ``bias`` or none takes it away."""
    made = apply_settings(
        design("bias = 0.4\n"),
        ["supply.bias_upper=15k", "supply.bias_capacitor=10u", "supply.bias_buffer=TL072"],
    )
    assert made.supply.bias is None
    assert made.supply.bias_lower == pytest.approx(10e3)
    assert made.supply.fraction == pytest.approx(0.4)
    below = design("bias = 0.4\n").with_value("supply.bias_lower", 10e3).supply
    assert (below.bias_upper, below.fraction) == (pytest.approx(15e3), pytest.approx(0.4))
    held = made.with_value("supply.bias_lower", "none").supply
    assert (held.bias, held.bias_upper, held.bias_capacitor) == (pytest.approx(0.4), None, None)
    assert made.with_value("supply.bias", "45%").supply == Supply(9.0, 0.45)
    with pytest.raises(DesignError, match=r"^supply\.bias_capacitor: bias_capacitor needs a div"):
        design().with_value("supply.bias_capacitor", "10u")


def test_every_key_can_be_tried_set_and_written() -> None:
    full = design(
        'volts = "7.5V"\nresistance = "22R"\nfilter_capacitor = "220u"\nbias_buffer = "TL072"\n'
        f'ripple = "20mV 120Hz"\n{DIVIDER}'
    )
    assert parse_design(write_design(full)) == full
    told = full.describe()
    for text in ("22R", "220u", "5k1", "68u", "TL072", "20mV 120Hz"):
        assert text in told
    original = f'name = "d"\n[supply]  # mine\n{DIVIDER}{STAGE}'
    changed = parse_design(original).with_value("supply.bias_capacitor", "47u")
    assert write_design(changed, original) == original.replace('"68u"', '"47u"')
    stiff = parse_design(original).with_value("supply.bias", 0.5)
    assert parse_design(write_design(stiff, original)) == stiff
    found = make_candidates(full, ["supply.resistance=0,47R", "supply.bias_upper=10k"])
    assert len(found) >= 3


def test_a_fit_may_free_them() -> None:
    full = design(f'resistance = "22R"\nfilter_capacitor = "220u"\n{DIVIDER}')
    free = free_values(full, ["supply.resistance", "supply.bias_capacitor:20%", "supply.volts"])
    assert [(v.unit, v.start) for v in free] == [("ohm", 22.0), ("F", 68e-6), ("V", 9.0)]
    assert free[0].put(full, 33.0).supply.resistance == 33.0
    every = {value.path for value in every_value(full)}
    assert {f"supply.{key}" for key in ("resistance", "bias_upper", "bias_capacitor")} <= every
    assert "supply.bias" not in every


@pytest.mark.parametrize("ripple", [Ripple(0.02, 120.0), Ripple(1e-3 / 3.0, 100.0 / 7.0)])
def test_a_ripple_is_read_as_it_is_written(ripple: Ripple) -> None:
    assert Ripple.read(str(ripple)) == ripple


def test_a_supply_that_leaves_an_opamp_no_room_is_refused() -> None:
    """1.4 mA through 5 kohm is 7 V of 9: less than 1.5 V from either rail needs."""
    starved = load_design("soft_clipper").with_value("gain.opamp", "TL072")
    with pytest.raises(
        DesignError,
        match=r"^gain\.opamp: TL072 needs more than 3 V of supply .the rail rests at -?\d",
    ) as found:
        solve_design(starved.with_value("supply.resistance", "4k7"))
    assert len(str(found.value).splitlines()) == 1
