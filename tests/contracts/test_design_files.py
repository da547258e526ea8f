"""Contract of design files: nothing is lost, every complaint names its place and its cure."""

import dataclasses
import math

import pytest

from vadist.circuits.network import DiodeString
from vadist.designs.design import Control, Design, Source
from vadist.designs.files import (
    apply_settings,
    load_design,
    parse_design,
    parse_value,
    preset_names,
    preset_path,
    write_design,
)
from vadist.designs.supply import Ripple, Supply
from vadist.errors import DesignError
from vadist.parts import DiodeModel, OpAmpModel, TransistorModel, find_diode, find_opamp
from vadist.stages import DiodeClipper, DiodePair, OpAmpGain, Pot, Stage, TransistorBoost

# The 3 V that an op-amp swings less the diodes' 0.6 V at 0.9 mA: 2k7; 1/(2 pi 2k7 12n) = 4.9 kHz.
SMALL = """
name = "small"

[[stage]]
name = "clipper"
type = "diode_clipper"
series_resistor = "2k7"
shunt_capacitor = "12n"
diodes = "1N4148"
"""


def odd_design():
    """Every kind of field, with values no library or series holds."""
    diode = DiodeModel("mine", "schottky", 1.234567891e-9, 1.7, 0.1 + 0.2, 'a "quoted"\nsource')
    transistor = TransistorModel(
        "t", 1e-14 / 3.0, 123.4, 0.7, 1e3 / 7.0, 1e-12 / 7.0, 2e-12 / 3.0, 0.1 / 3.0, 100.0 / 3.0
    )
    opamp = OpAmpModel(
        "fast",
        math.pi * 1e6,
        13.3e6,
        headroom_high_v=1.5,
        headroom_low_v=0.0,
        voltage_noise_v_rthz=18e-9 / 7.0,
        current_noise_a_rthz=0.0,
        supply_current_a=1.4e-3,
    )
    pair = DiodePair(DiodeString(diode, 2, 3), DiodeString(find_diode("1N34A"), 2))
    return Design(
        name='a "name" \\ with\tcontrol \x07 and µ',
        description="two\nlines",
        stages={
            "boost": TransistorBoost(
                input_capacitor=1e-7 / 3.0,
                feedback_resistor=123456.789,
                collector_resistor=4700.0,
                transistor=transistor,
            ),
            "gain": OpAmpGain(
                opamp=opamp,
                feedback_resistor=1e3,
                leg_resistor=1e3,
                leg_capacitor=1e-6,
                drive_pot=Pot(5e5, 0.3),
                input_clamp=DiodePair(DiodeString(find_diode("red LED")), None),
            ),
            "clipper": DiodeClipper(series_resistor=2.2e3, diodes=pair),
        },
        supply=Supply(
            9.3,
            resistance=100.0 / 7.0,
            filter_capacitor=1e-3 / 7.0,
            bias_upper=1e5 / 3.0,
            bias_lower=1e5 / 7.0,
            bias_capacitor=1e-4 / 3.0,
            bias_buffer=opamp,
            ripple=Ripple(0.02 / 3.0, 1e3 / 7.0),
        ),
        source=Source(inductance=2.5, volume_pot=Pot(250e3, 1.0)),
        load_ohm=98765.4321,
        input_at_bias=True,
        controls={"drive": Control(("gain.drive_pot", "-source.volume_pot"), "audio 10%", 0.7)},
    )


@pytest.mark.parametrize("name", preset_names())
def test_presets_survive_writing(name):
    design = load_design(name)
    again = parse_design(write_design(design))
    assert again == design
    assert list(again.stages) == list(design.stages)


def test_any_value_survives_writing():
    assert parse_design(write_design(odd_design())) == odd_design()


@pytest.mark.parametrize("path", odd_design().paths)
def test_each_changed_value_is_written(path):
    """No field is dropped: a change of any one of them changes the file."""
    design = odd_design()
    value = design.value(path)
    if isinstance(value, float):
        changed = value / 2.0 if value else 1.5
    elif isinstance(value, Pot):
        changed = dataclasses.replace(value, wiper=value.wiper / 2.0)
    elif value is None:
        info = design.field_info(path)
        changed = Pot(1e5) if info.kind == "pot" else 1.0 if info.unit == "ohm" else 1e-3
    elif isinstance(value, DiodePair):
        changed = DiodePair(None, DiodeString(find_diode("1N4148")))
    elif isinstance(value, TransistorModel):
        changed = dataclasses.replace(value, early_voltage_v=50.0)
    elif isinstance(value, Ripple):
        changed = dataclasses.replace(value, peak_v=0.1)
    elif isinstance(value, str):
        changed = next(c for c in design.field_info(path).choices if c != value)
    else:
        changed = find_opamp("TL072")
    candidate = design.with_value(path, changed)
    assert candidate != design
    assert parse_design(write_design(candidate)) == candidate


def test_written_file_tells_every_purpose():
    text = write_design(load_design("boosted_hard_clipper"))
    for stage in load_design("boosted_hard_clipper").stages.values():
        for info in stage.fields().values():
            if info.purpose not in text:
                assert info.optional


def test_a_stage_of_ones_own_cannot_be_written():
    @dataclasses.dataclass(frozen=True, kw_only=True)
    class Mine(Stage):
        kind = "mine"

    with pytest.raises(DesignError, match="stage 'm': a Mine has no place in a file"):
        write_design(Design("d", {"m": Mine()}))


FAULTS = [
    ('shunt_capacitor = "47 ohm"', r"^my\.toml: stage 1 'clipper': shunt_capacitor must be a cap"),
    ('shunt_capacitor = "-47n"', r"stage 1 'clipper': shunt_capacitor must be within .*-4\.7e-08"),
    ("shunt_capacitor = true", "shunt_capacitor must be a capacitance in farads .got True"),
    ("shunt_capacitor = [1]", "shunt_capacitor must be .*a list of 1"),
    ("shunt_capacitor = 1979-05-27", "shunt_capacitor must be .*datetime"),
    ("shunt_capacitor = nan", "shunt_capacitor must be .*finite"),
    ('shunt_capacitr = "47n"', "unknown part of a diode_clipper .*did you mean 'shunt_capacitor'"),
    ('diodes = "1N4184"', "diodes must be a known diode .*1N4148"),
    ('diodes = "none"', "diodes needs a diode in at least one direction"),
    ('diodes = {forward = "1N4148"}', 'diodes lacks reverse .*"none"'),
    ('diodes = {type = "1N4148", count = 0}', r"diodes count must be a whole number 1\.\.100"),
    ('diodes = {type = "1N4148", cuont = 2}', "unknown key 'cuont'; did you mean 'count'"),
    ('diodes = {name = "x", saturation_current = "1nA"}', "diodes lacks .*'emission_coefficient'"),
    (
        'diodes = {name = "x", saturation_current = "1nF", emission_coefficient = 1}',
        "diodes saturation_current must be a current in amperes",
    ),
    (
        'diodes = {name = "x", saturation_current = 0, emission_coefficient = 1}',
        "diodes saturation_current must be > 0",
    ),
    ("diodes = 3", r"diodes must be a type of diode or a table .*got 3"),
]


@pytest.mark.parametrize(("line", "message"), FAULTS)
def test_faulty_values_are_told_with_their_place(line, message):
    key = line.partition(" ")[0]
    kept = [row for row in SMALL.splitlines() if not row.startswith(key)]
    with pytest.raises(DesignError, match=message) as caught:
        parse_design("\n".join([*kept, line]), "my.toml")
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith("my.toml: stage 1 'clipper': ")


STRUCTURE = [
    ("", r"name is missing[\s\S]*at least one \[\[stage\]\]"),
    (SMALL + '[suply]\nvolts = "9V"', "my.toml: unknown key 'suply'; did you mean 'supply'"),
    (SMALL + '[supply]\nvolts = "9k"', "supply: volts must be within 1..60 V"),
    (SMALL + '[supply]\nvolts = "9ohm"', "supply: volts must be a voltage"),
    (SMALL + '[load]\nresistance = "0R"', "load: resistance must be > 0 ohm"),
    (
        SMALL + "[source]\ncable_capacity = 1",
        "source: unknown part 'cable_capacity'; did you mean 'cable_cap",
    ),
    (SMALL + '[source]\nrests_at = "supply"', "source: rests_at must be 'ground' or 'bias'"),
    ('name = "x"\nsource = 3\n' + SMALL.split("\n", 2)[2], "source: must be a table .got 3"),
    (SMALL.replace("[[stage]]", "[stage]"), r"stage must be written as \[\[stage\]\]"),
    (SMALL.replace("diode_clipper", "diode_cliper"), "unknown type .*did you mean 'diode_clipper'"),
    (SMALL.replace('type = "diode_clipper"', ""), "stage 1 'clipper': type is missing; one of"),
    (SMALL.replace('series_resistor = "2k7"', ""), r"series_resistor is missing \(limits the"),
    (SMALL.replace('"clipper"', '"Clip per"'), "name must be lower case letters"),
    (SMALL.replace('"clipper"', '"source"'), "name must not be one of source, load"),
    (SMALL + SMALL.split("\n", 2)[2], "stage 2 'clipper': name is already taken"),
    (SMALL + "[controls.drive]", "control 'drive': moves is missing"),
    (SMALL + '[controls.clipper]\nmoves = "a.b"', "control 'clipper': name is already taken"),
    (SMALL + '[controls.drive]\nmoves = "clipper.diodes"', "control 'drive': unknown pot"),
    (SMALL + "[controls.drive]\nmoves = [1]", "control 'drive': moves must name pots"),
    (
        SMALL + '[controls.drive]\nmoves = "source.volume_pot"',
        "control 'drive': 'source.volume_pot' is left out of this design",
    ),
    (
        SMALL + '[controls.drive]\nmoves = "a.b"\ntaper = "audoi 10%"',
        "control 'drive': taper must be a known taper .*audio 10%",
    ),
    (
        SMALL + '[controls.drive]\nmoves = "a.b"\nposition = 2',
        r"control 'drive': position must be within 0\.\.1 \(got 2\)",
    ),
    ('name = "x"\nvolts = = 3', r"^my\.toml: line 2, column 9: not TOML"),
    ('name = "x', r"^my\.toml: line 1"),
    ("a = " + "[" * 50_000, "nested too deeply"),
    ("a = " + "9" * 5_000, "not TOML"),
    ("name = 0x" + "f" * 5_000, "name must be a text .got an enormous number"),
]


@pytest.mark.parametrize(("text", "message"), STRUCTURE)
def test_faulty_structure_is_told(text, message):
    with pytest.raises(DesignError, match=message):
        parse_design(text, "my.toml")


def test_two_knobs_cannot_move_one_pot():
    text = preset_path("soft_clipper").read_text(encoding="utf-8")
    text += '\n[controls.more]\nmoves = ["-gain.drive_pot"]\n'
    with pytest.raises(
        DesignError, match=r"^s: control 'more': 'gain.drive_pot' is already moved by 'drive'$"
    ):
        parse_design(text, "s")


def test_all_faults_are_told_at_once():
    text = SMALL.replace('"2k7"', '"2n7"').replace("1N4148", "1N9") + '[load]\nresistence = "1M"\n'
    with pytest.raises(DesignError) as caught:
        parse_design(text, "my.toml")
    lines = str(caught.value).split("\n")
    assert len(lines) == 3
    assert all(line.startswith("my.toml: ") for line in lines)


def test_faults_without_end_are_counted():
    text = SMALL + "\n".join(f"key_{k} = 1" for k in range(500))
    with pytest.raises(DesignError, match="480 faults more") as caught:
        parse_design(text, "my.toml")
    assert len(str(caught.value).splitlines()) == 21


def test_finds_presets_and_files(tmp_path, monkeypatch):
    assert load_design("treble_boost").name == "treble boost"
    file = tmp_path / "mine.toml"
    file.write_text(SMALL, encoding="utf-8-sig")
    assert load_design(file) == load_design(str(file)) == parse_design(SMALL)
    monkeypatch.chdir(tmp_path)
    file.rename("bare")
    assert load_design("bare").name == "small"
    (tmp_path / "treble_boost").write_text(SMALL, encoding="utf-8")
    assert load_design("treble_boost").name == "treble boost"


def test_what_cannot_be_read_is_told(tmp_path):
    with pytest.raises(
        DesignError, match="no preset and no file named 'soft_cliper'; did you mean"
    ):
        load_design("soft_cliper")
    with pytest.raises(DesignError, match="no preset and no file named 'zzz'; there are asym"):
        load_design("zzz")
    with pytest.raises(DesignError, match="no such file; did you mean 'led_clipper'"):
        load_design(tmp_path / "led_cliper.toml")
    with pytest.raises(DesignError, match="is a folder"):
        load_design(tmp_path)
    (tmp_path / "latin.toml").write_bytes(b'name = "x"\ndescription = "\xe9"')
    with pytest.raises(DesignError, match=r"latin\.toml: line 2 is not UTF-8"):
        load_design(tmp_path / "latin.toml")
    (tmp_path / "huge.toml").write_bytes(b"#" * 1_000_001)
    with pytest.raises(DesignError, match="at most 1000 kB"):
        load_design(tmp_path / "huge.toml")
    for name in ("\0.toml", "x" * 5000 + ".toml"):
        with pytest.raises(DesignError, match="cannot be read"):
            load_design(name)


def test_settings_are_read_as_the_trade_writes_them():
    design = load_design("boosted_hard_clipper")
    assert parse_value(design, "clipper.shunt_capacitor", "4n7") == 4.7e-9
    assert parse_value(design, "clipper.shunt_capacitor", "none") is None
    assert parse_value(design, "drive", " 0.3 ") == 0.3
    assert parse_value(design, "supply.volts", "12V") == 12.0
    assert parse_value(design, "gain.opamp", "ne5532").name == "NE5532"
    pair = parse_value(design, "clipper.diodes", '{type = "1N4148", count = 2}')
    assert pair.forward.count == pair.reverse.count == 2
    inline = '{name = "q", saturation_current = "6.7fA", forward_beta = 400, reverse_beta = 0.7}'
    assert parse_value(design, "boost.transistor", inline).early_voltage_v == math.inf
    wanted = inline.replace("}", ', emitter_leakage = "9pA", knee_current = "25mA"}')
    read = parse_value(design, "boost.transistor", wanted)
    assert (read.emitter_leakage_a, read.knee_current_a) == (9e-12, 25e-3)
    assert read.base_resistance_ohm == 0.0


def test_a_pot_given_by_resistance_alone_keeps_its_wiper():
    design = load_design("soft_clipper").with_value("gain.drive_pot", Pot(1e5, 0.2))
    assert parse_value(design, "gain.drive_pot", "250k") == Pot(250e3, 0.2)
    assert parse_value(design, "gain.drive_pot", "{resistance = '1k', wiper = 1}") == Pot(1e3, 1.0)


@pytest.mark.parametrize(
    ("setting", "message"),
    [
        ("drive", r"a setting must be written path=value \(got 'drive'\)"),
        ("drve=1", "unknown value 'drve'; did you mean 'drive'"),
        ("drive=2", r"^drive: position must be within 0..1"),
        ("drive=loud", r"^drive must be a number \(got 'loud'"),
        ("clipper.shunt_capacitor=4k7", "^clipper.shunt_capacitor must be a capacitance"),
        ("clipper.series_resistor=none", "^clipper.series_resistor must be a resistance"),
        ("boost.emitter_resistor=none", "^boost.emitter_resistor must be a resistance"),
        ("clipper.diodes={type =", "^clipper.diodes must be one table as in a design file"),
        ("clipper.diodes={}\nx = 1", "^clipper.diodes must be one table"),
        ("coupling.returns_to=biass", "must be 'bias' or 'ground' .*did you mean 'bias'"),
    ],
)
def test_faulty_settings_are_told(setting, message):
    with pytest.raises(DesignError, match=message):
        apply_settings(load_design("boosted_hard_clipper"), [setting])


def test_settings_are_applied_in_order():
    design = load_design("boosted_hard_clipper")
    changed = apply_settings(design, ["drive=0.1", "clipper.shunt_capacitor=22n", "drive=0.9"])
    assert changed.value("drive") == 0.9
    assert changed.value("clipper.shunt_capacitor") == 22e-9
    assert apply_settings(design, []) == design
    with pytest.raises(DesignError) as caught:
        apply_settings(design, ["drve=1", "drive=0.5", "tone=x"])
    assert len(str(caught.value).splitlines()) == 2
