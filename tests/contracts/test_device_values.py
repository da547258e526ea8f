"""Devices as a design file and the command line give them.

Authority: what a user is promised: a type from the library or a table of the model's own values,
written back without losing one, and one line for whatever cannot be.
"""

import dataclasses
import math
from typing import Any

import pytest

from vadist.designs.files import load_design, parse_design, write_design
from vadist.designs.values import model_keys, read_value, write_value
from vadist.errors import DesignError
from vadist.parts import (
    JFETS,
    MOSFETS,
    ZENERS,
    JfetModel,
    MosfetModel,
    TransistorModel,
    ZenerModel,
    find_jfet,
    find_mosfet,
    find_transistor,
    find_zener,
)
from vadist.stages.stage import FieldInfo

INLINE: dict[str, tuple[dict[str, object], Any]] = {
    "jfet": (
        {"name": "mine", "idss": "3mA", "pinch_off": "1.8V", "channel_length_per_v": 0.01,
         "gate_saturation_current": "1pA", "polarity": "p", "gate_drain_capacitance": "2p"},
        JfetModel("mine", 3e-3, 1.8, 0.01, 1e-12, "p", gate_drain_capacitance_f=2e-12),
    ),
    "mosfet": (
        {"name": "mine", "threshold": "1.9V", "transconductance": "50 mA/V2"},
        MosfetModel("mine", 1.9, 50e-3),
    ),
    "zener": (
        {"name": "mine", "saturation_current": "1nA", "emission_coefficient": 1.8,
         "breakdown": "6.2V", "test_current": "5mA", "knee": "80mV", "breakdown_per_k": 3e-4},
        ZenerModel("mine", 1e-9, 1.8, 6.2, 5e-3, 0.08, breakdown_per_k=3e-4),
    ),
    "transistor": (
        {"name": "mine", "saturation_current": "1uA", "forward_beta": 80, "reverse_beta": 10,
         "polarity": "pnp", "family": "germanium", "transit_time": "2ns"},
        TransistorModel("mine", 1e-6, 80.0, 10.0, polarity="pnp", family="germanium",
                        transit_time_s=2e-9),
    ),
}  # fmt: skip


@pytest.mark.parametrize("kind", INLINE)
def test_a_table_of_values_is_read_and_written_back(kind: str) -> None:
    info = FieldInfo(kind, "", "")
    table, model = INLINE[kind]
    assert read_value(info, table) == model
    text = f'name = "x"\nkept = {write_value(info, model)}'
    import tomllib

    assert read_value(info, tomllib.loads(text)["kept"]) == model
    assert {"source", "name", "polarity"}.isdisjoint(model_keys(model))


@pytest.mark.parametrize(
    ("kind", "name"), [("jfet", "2n5457"), ("mosfet", "BS250"), ("zener", "bzx55c5v1")]
)
def test_a_type_of_the_library_is_found_and_written_by_its_name(kind: str, name: str) -> None:
    info = FieldInfo(kind, "", "")
    model = read_value(info, name)
    assert write_value(info, model) == f'"{model.name}"'


def test_the_library_is_asked_by_kind() -> None:
    assert find_jfet("2N5457") is JFETS["2N5457"]
    assert find_mosfet("2n7000") is MOSFETS["2N7000"]
    assert find_zener("BZX55C9V1") is ZENERS["BZX55C9V1"]
    for table in (JFETS, MOSFETS, ZENERS):
        for name, model in table.items():
            assert model.name == name
            assert len(model.source) > 20
    with pytest.raises(DesignError, match=r"known JFET \(got '2N5450'; nearest: 2N54"):
        find_jfet("2N5450")


JFET, MOSFET, ZENER, TRANSISTOR = (INLINE[k][1] for k in ("jfet", "mosfet", "zener", "transistor"))


@pytest.mark.parametrize(
    ("model", "field", "value", "message"),
    [
        (JFET, "idss_a", 0.0, "idss must be > 0 A (got 0)"),
        (JFET, "pinch_off_v", -1.5, "pinch_off must be > 0.1 V (got -1.5)"),
        (JFET, "pinch_off_v", math.inf, "pinch_off must be a finite number of V"),
        (JFET, "channel_length_per_v", -0.1, "channel_length_per_v must be >= 0 1/V (got -0.1)"),
        (JFET, "gate_saturation_current_a", 0.0, "gate_saturation_current must be > 0 A (got 0)"),
        (JFET, "polarity", "npn", "polarity must be one of n, p (got 'npn')"),
        (JFET, "gate_source_capacitance_f", -1.0, "gate_source_capacitance must be >= 0 F"),
        (MOSFET, "threshold_v", 0.0, "threshold must be > 0.1 V (got 0)"),
        (MOSFET, "transconductance_a_v2", math.nan, "transconductance must be > 0 A/V2 (got nan)"),
        (MOSFET, "body_saturation_current_a", 0.0, "body_saturation_current must be > 0 A"),
        (MOSFET, "drain_source_capacitance_f", math.inf, "must be a finite number of F"),
        (ZENER, "breakdown_v", -5.1, "breakdown must be > 0 V (got -5.1)"),
        (ZENER, "test_current_a", 0.0, "test_current must be > 0 A (got 0)"),
        (ZENER, "knee_v", 7.0, "knee must be < breakdown, 6.2 V (got 7)"),
        (ZENER, "breakdown_per_k", 0.1, "breakdown_per_k must be within +-0.002 1/K (got 0.1)"),
        (ZENER, "series_resistance_ohm", -1.0, "series_resistance must be >= 0 ohm (got -1)"),
        (TRANSISTOR, "polarity", "n", "polarity must be one of npn, pnp (got 'n')"),
        (TRANSISTOR, "family", "led", "family must be one of silicon, germanium (got 'led')"),
        (TRANSISTOR, "transit_time_s", -1.0, "transit_time must be >= 0 s (got -1)"),
    ],
)
def test_a_model_refuses_an_impossible_value(
    model: Any, field: str, value: object, message: str
) -> None:
    with pytest.raises(DesignError) as refusal:
        dataclasses.replace(model, **{field: value})
    assert message in str(refusal.value)


def test_figures_tell_polarity_and_what_capacitance_there_is() -> None:
    assert JFET.figures.startswith("P-channel JFET, IDSS 3.00 mA, pinch-off 1.80 V")
    assert JFET.figures.endswith(", Cgd 2p")
    assert "Cg" not in MOSFET.figures
    assert TRANSISTOR.figures.startswith("PNP")


def test_a_stage_wired_for_an_npn_takes_no_pnp() -> None:
    """However it is given: the operating point would be that of a short."""
    design = load_design("boosted_hard_clipper")
    pnp = dataclasses.replace(find_transistor("2N3904"), name="mine", polarity="pnp")
    told = r"^boost\.transistor: transistor must be an NPN transistor \(got mine, a PNP\)$"
    with pytest.raises(DesignError, match=told):
        design.with_value("boost.transistor", pnp)
    table = write_value(FieldInfo("transistor", "", ""), pnp)
    text = write_design(design).replace(
        'transistor = "2N3904"', f"transistor = {table}"
    )  # fmt: skip
    with pytest.raises(DesignError, match="must be an NPN transistor"):
        parse_design(text)


def test_a_capacitance_is_set_like_any_other_value() -> None:
    design = load_design("boosted_hard_clipper")
    changed = design.with_value("boost.transistor.base_collector_capacitance", "4p")
    assert changed.value("boost.transistor").base_collector_capacitance_f == 4e-12
    assert parse_design(write_design(changed)) == changed
    for text, said in (("4kohm", "must be a capacitance in farads"), ("-4p", "must be >= 0 F")):
        with pytest.raises(DesignError, match=said):
            design.with_value("boost.transistor.base_collector_capacitance", text)
