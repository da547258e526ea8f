"""Slips of the pen in designs are told with what was probably meant.

Authority: the contract of design files; codes on capacitors by IEC 60062 (two figures and the
number of zeros, in picofarads).
"""

import dataclasses
import json
import warnings

import pytest

from vadist.cli import main
from vadist.designs.files import apply_settings, load_design, parse_design, preset_path
from vadist.errors import DesignError, DesignWarning
from vadist.parts import TRANSISTORS
from vadist.stages import STAGES

NPN = [name for name, model in TRANSISTORS.items() if model.polarity == "npn"]


def refusal(*settings: str, preset: str = "boosted_hard_clipper") -> str:
    with pytest.raises(DesignError) as caught:
        apply_settings(load_design(preset), settings)
    assert "\n" not in str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize(
    ("setting", "told"),
    [
        ("gain.leg_resistor=2m2", "'2m2' is 0.0022 ohm"),
        ("gain.leg_resistor=220M", "'220M' is 2.2e+08 ohm"),
        ("gain.drive_pot=500M", "'500M' is 5e+08 ohm"),
        ("gain.leg_capacitor=22m", "'22m' is 0.022 F"),
        ("gain.leg_capacitor=0p5", "'0p5' is 5e-13 F"),
    ],
)
def test_what_no_shop_sells_is_warned_of(setting: str, told: str) -> None:
    with pytest.warns(DesignWarning) as caught:
        apply_settings(load_design("boosted_hard_clipper"), [setting])
    (only,) = caught
    assert str(only.message).startswith(f"{setting.partition('=')[0]} {told}: no shop sells that")


@pytest.mark.parametrize(
    "setting",
    [
        "gain.leg_resistor=2.2 mohm", "gain.leg_resistor=2m2ohm", "gain.leg_resistor=220Mohm",
        "gain.leg_capacitor=22mF", "gain.leg_capacitor=10m", "gain.leg_capacitor=1p",
        "gain.leg_resistor=22M", "gain.leg_resistor=R1", "source.resistance=0",
    ],
)  # fmt: skip
def test_a_unit_says_that_it_is_meant(setting: str) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        apply_settings(load_design("boosted_hard_clipper"), [setting])


def test_a_warning_names_its_place_in_a_file(tmp_path, capsys) -> None:
    text = preset_path("soft_clipper").read_text(encoding="utf-8")
    design = tmp_path / "mine.toml"
    lines = [
        'leg_resistor = "2m2"' if line.startswith("leg_resistor") else line
        for line in text.splitlines()
    ]
    design.write_text("\n".join(lines), encoding="utf-8")
    with pytest.warns(DesignWarning, match=r"mine\.toml: stage 2 'gain': leg_resistor '2m2' is"):
        load_design(design)
    assert main(["inspect", str(design), "--set", "gain.leg_resistor=4k7x"]) == 2
    said = capsys.readouterr().err.splitlines()
    assert said[0].startswith(f"vadist: warning: {design}: stage 2 'gain': leg_resistor '2m2'")
    assert said[1].startswith("vadist: gain.leg_resistor must be a resistance")


@pytest.mark.parametrize(
    ("code", "value"),
    [("224", "220n"), ("104", "100n"), ("472", "4n7"), ("473K", "47n"), ("105 J", "1u")],
)
def test_codes_printed_on_capacitors(code: str, value: str) -> None:
    said = refusal(f"gain.leg_capacitor={code}")
    assert f"printed on a capacitor, {code} means {value}; write {value!r})" in said


def test_a_code_that_may_be_a_value() -> None:
    said = refusal("gain.leg_capacitor=220")
    assert "220 means 22p; write '22p', or '220p' or '220n' if 220 is meant" in said


def test_a_number_in_a_file_is_read_as_a_code_too() -> None:
    text = preset_path("soft_clipper").read_text(encoding="utf-8")
    wrong = "\n".join(
        "leg_capacitor = 224" if line.startswith("leg_capacitor") else line
        for line in text.splitlines()
    )
    with pytest.raises(DesignError, match=r"leg_capacitor must be .* 224 means 220n"):
        parse_design(wrong)


@pytest.mark.parametrize(
    ("name", "kind"),
    [("2N3906", "a PNP"), ("bc557b", "a PNP"), ("OC71", "a PNP"), ("J201", "a JFET"),
     ("2N7000", "a MOSFET")],
)  # fmt: skip
def test_another_kind_of_transistor_is_named(name: str, kind: str) -> None:
    said = refusal(f"boost.transistor={name}")
    assert f"(got {name!r}; it is {kind}, which this block does not take; there are " in said
    assert all(known in said for known in NPN)
    assert kind != "a PNP" or "2N3906," not in said


def test_no_transistor_of_the_library_is_taken_for_another_kind() -> None:
    for name in NPN:
        apply_settings(load_design("boosted_hard_clipper"), [f"boost.transistor={name}"])


@pytest.mark.parametrize("kind", ["overdrive", "diode_cliper"])
def test_an_unknown_type_of_stage_lists_all(kind: str) -> None:
    with pytest.raises(DesignError) as caught:
        parse_design(f'name = "x"\n[[stage]]\nname = "a"\ntype = "{kind}"')
    assert f"there are {', '.join(STAGES)}" in str(caught.value)
    assert ("did you mean 'diode_clipper'?" in str(caught.value)) is (kind == "diode_cliper")


@pytest.mark.parametrize("start", [b"RIFF", b"RF64", b"FORM", b"fLaC", b"OggS", b"ID3\x04"])
def test_audio_is_no_design(tmp_path, start: bytes) -> None:
    """However long it is."""
    path = tmp_path / "take.wav"
    path.write_bytes(start + b"\xff" * 2_000_000)
    with pytest.raises(DesignError, match=r"take\.wav: is audio, not a design"):
        load_design(path)


def test_per_cent() -> None:
    changed = apply_settings(
        load_design("boosted_hard_clipper"), ["drive=70%", "supply.bias=45 %", "level= 12.5%"]
    )
    assert [changed.value(p) for p in ("drive", "supply.bias", "level")] == [0.7, 0.45, 0.125]
    assert "position must be within 0..1 (got 1.2)" in refusal("drive=120%")
    assert "must be a resistance" in refusal("gain.leg_resistor=70%")


def test_values_inside_a_model() -> None:
    """By the paths that a fit takes."""
    design = load_design("boosted_hard_clipper")
    changed = apply_settings(
        design,
        [
            "boost.transistor.forward_beta=200", "clipper.diodes.saturation_current=3n",
            "clipper.diodes.forward.emission_coefficient=1.8", "gain.opamp.slew_rate=2 V/us",
        ],
    )  # fmt: skip
    pair = changed.value("clipper.diodes")
    assert changed.value("boost.transistor").forward_beta == 200.0
    assert [s.model.saturation_current_a for s in (pair.forward, pair.reverse)] == [3e-9, 3e-9]
    assert pair.forward.model.emission_coefficient == 1.8
    assert pair.reverse.model == dataclasses.replace(
        design.value("clipper.diodes").reverse.model, saturation_current_a=3e-9
    )
    assert changed.value("gain.opamp").slew_rate_v_per_s == 2e6


@pytest.mark.parametrize(
    ("setting", "told"),
    [
        ("boost.transistor.foward_beta=2", "did you mean 'forward_beta'?"),
        ("boost.transistor.name=2", "unknown value"),
        ("boost.transistor.forward_beta=x", "boost.transistor.forward_beta must be a number"),
        ("boost.emitter_resistor.value=3", "unknown value"),
        ("boost.no.thing=3", "unknown value 'boost.no'"),
        ("clipper.diodes.forward=1N4148", "unknown value"),
    ],
)
def test_what_no_model_holds(setting: str, told: str) -> None:
    assert told in refusal(setting)


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("[" * 100_000, "not TOML"),
        ("a = " + "[" * 100_000, "nested too deeply"),
        ('{"a": ' + "[" * 200_000, "nested too deeply"),
        ('{"design": 3}', "must be a design (.toml) or the sidecar of a render"),
        ("{", "neither a design nor a sidecar"),
        (json.dumps({"design": 'name = "x"'}), "design: a design needs at least one [[stage]]"),
    ],
    ids=["brackets", "nested", "nested JSON", "no design", "broken", "faulty design"],
)
def test_files_that_hold_no_design(tmp_path, content: str, told: str) -> None:
    path = tmp_path / "x.json"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(DesignError) as caught:
        load_design(path)
    assert str(caught.value).startswith(f"{path}: ")
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)
