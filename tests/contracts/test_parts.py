"""Authority: the promises of the part models and of the library that finds them."""

import dataclasses
import math
from typing import Any

import pytest

from vadist.errors import DesignError
from vadist.parts import (
    DIODES,
    OPAMPS,
    TRANSISTORS,
    DiodeModel,
    OpAmpModel,
    TransistorModel,
    find_diode,
    find_opamp,
    find_transistor,
)

DIODE = DiodeModel("D", "silicon", 1e-9, 1.8, 0.5)
TRANSISTOR = TransistorModel("Q", 1e-14, 200.0, 1.0)
OPAMP = OpAmpModel(
    "U",
    3e6,
    13e6,
    headroom_high_v=1.5,
    headroom_low_v=1.5,
    voltage_noise_v_rthz=18e-9,
    current_noise_a_rthz=1e-14,
    supply_current_a=1.4e-3,
)


@pytest.mark.parametrize(
    ("model", "field", "value", "message"),
    [
        (DIODE, "saturation_current_a", -1e-9, "saturation_current must be > 0 A (got -1e-09)"),
        (DIODE, "saturation_current_a", math.inf, "must be a finite number of A (got inf)"),
        (DIODE, "emission_coefficient", 0.0, "emission_coefficient must be > 0 (got 0)"),
        (DIODE, "emission_coefficient", math.nan, "emission_coefficient must be > 0 (got nan)"),
        (DIODE, "series_resistance_ohm", -1.0, "series_resistance must be >= 0 ohm (got -1)"),
        (DIODE, "family", "valve", "family must be one of silicon, germanium, schottky, led"),
        (DIODE, "name", " ", "name must not be empty"),
        (TRANSISTOR, "saturation_current_a", 0.0, "saturation_current must be > 0 A (got 0)"),
        (TRANSISTOR, "forward_beta", -1.0, "forward_beta must be > 0 (got -1)"),
        (TRANSISTOR, "reverse_beta", 0.0, "reverse_beta must be > 0 (got 0)"),
        (TRANSISTOR, "early_voltage_v", 0.0, "early_voltage must be > 0 V (got 0)"),
        (TRANSISTOR, "early_voltage_v", math.nan, "early_voltage must be > 0 V (got nan)"),
        (TRANSISTOR, "emitter_leakage_a", -1e-12, "emitter_leakage must be >= 0 A (got -1e-12)"),
        (TRANSISTOR, "collector_leakage_a", math.inf, "must be a finite number of A (got inf)"),
        (
            TRANSISTOR,
            "knee_current_a",
            1e-14,
            "knee_current must be > 4 saturation currents, 4e-14",
        ),
        (TRANSISTOR, "knee_current_a", math.nan, "knee_current must be > 4 saturation currents"),
        (TRANSISTOR, "base_resistance_ohm", -1.0, "base_resistance must be >= 0 ohm (got -1)"),
        (OPAMP, "gain_bandwidth_hz", 0.0, "gain_bandwidth must be > 0 Hz (got 0)"),
        (OPAMP, "slew_rate_v_per_s", math.inf, "slew_rate must be a finite number of V/s"),
        (OPAMP, "open_loop_gain", 1.0, "open_loop_gain must be > 1 (got 1)"),
        (OPAMP, "headroom_high_v", -0.1, "headroom_high must be >= 0 V (got -0.1)"),
        (OPAMP, "headroom_low_v", math.nan, "headroom_low must be >= 0 V (got nan)"),
        (OPAMP, "voltage_noise_v_rthz", -1.0, "voltage_noise must be >= 0 V/rtHz (got -1)"),
        (OPAMP, "current_noise_a_rthz", -1.0, "current_noise must be >= 0 A/rtHz (got -1)"),
        (OPAMP, "supply_current_a", -1.0, "supply_current must be >= 0 A (got -1)"),
    ],
)
def test_a_model_refuses_an_impossible_value(
    model: Any, field: str, value: object, message: str
) -> None:
    with pytest.raises(DesignError) as refusal:
        dataclasses.replace(model, **{field: value})
    assert message in str(refusal.value)


@pytest.mark.parametrize("model", [DIODE, TRANSISTOR, OPAMP])
def test_a_model_cannot_be_changed(model: Any) -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        model.name = "other"


def test_a_transistor_is_ideal_where_nothing_is_given() -> None:
    assert TRANSISTOR.early_voltage_v == TRANSISTOR.knee_current_a == math.inf
    assert TRANSISTOR.emitter_leakage_a == TRANSISTOR.collector_leakage_a == 0.0
    assert TRANSISTOR.base_resistance_ohm == 0.0


def test_each_entry_goes_by_its_name_and_tells_its_source() -> None:
    for table in (DIODES, TRANSISTORS, OPAMPS):
        for name, model in table.items():
            assert model.name == name
            assert len(model.source) > 20
            assert model.source != DIODE.source


def test_the_library_holds_what_the_presets_need() -> None:
    assert {"1N4148", "1N34A", "BAT41", "1N5817", "red LED"} <= DIODES.keys()
    assert {"2N3904", "2N5088", "BC547B"} <= TRANSISTORS.keys()
    assert {"TL072", "NE5532", "RC4558"} <= OPAMPS.keys()
    assert {d.family for d in DIODES.values()} == {"silicon", "germanium", "schottky", "led"}


def test_names_are_found_whatever_their_case_and_blanks() -> None:
    assert find_diode(" 1n4148 ") is DIODES["1N4148"]
    assert find_diode("Red  LED") is DIODES["red LED"]
    assert find_transistor("bc547b") is TRANSISTORS["BC547B"]
    assert find_opamp("tl072") is OPAMPS["TL072"]


def test_an_unknown_name_gets_the_nearest_ones() -> None:
    with pytest.raises(DesignError, match=r"known diode \(got '1N4184'; nearest: 1N4148"):
        find_diode("1N4184")
    with pytest.raises(DesignError, match=r"known transistor \(got 'BC547'; nearest: BC547"):
        find_transistor("BC547")
    with pytest.raises(DesignError, match=r"op-amp \(got 'xyz'; known: TL072, TL062, NE5532, "):
        find_opamp("xyz")
