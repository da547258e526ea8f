"""Authority: what ``vadist parts --measure`` promises of readings, good and bad."""

import json
import re
import shlex
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vadist.cli import main
from vadist.designs.files import load_design
from vadist.designs.values import read_value
from vadist.errors import UsageError
from vadist.parts.measured import measure
from vadist.parts.readings import READING_KINDS, parse_readings
from vadist.stages.stage import FieldInfo

THREE = "diode 0.1mA=0.465V 1mA=0.582V 10mA=0.714V"


@pytest.mark.parametrize("name", READING_KINDS)
def test_the_example_of_every_kind_is_measured(name: str, capsys) -> None:
    """And told with its values, every reading, and a line that a design file can hold."""
    text = f"{name} {READING_KINDS[name].example}"
    assert main(["parts", "--measure", text]) == 0
    told = capsys.readouterr().out
    inline = told.splitlines()[-1]
    model = tomllib.loads(f"model = {inline}")["model"]
    assert model.pop("name") == f"measured {name}"
    assert not re.search(r"\b(nan|inf)\b", told)
    part = measure(parse_readings(text))
    assert set(model) - {"family", "polarity"} <= {*part.found, *part.held}
    for reading in part.readings:
        assert f"{reading.text}: fitted " in told


def test_a_measured_diode_is_pasted_into_a_design() -> None:
    """Its volts at the readings, by the model that the design then holds, are those told."""
    part = measure(parse_readings(THREE))
    table = tomllib.loads(f"diodes = {part.inline}")["diodes"]
    design = load_design("boosted_hard_clipper").with_value("clipper.diodes", table)
    held = design.value("clipper.diodes").forward.model
    assert held.family == "silicon"
    for key, found in part.found.items():
        (name,) = (n for n in type(held).__slots__ if n.startswith(key))
        assert getattr(held, name) == pytest.approx(found.value, rel=1e-3, abs=1e-12 * found.value)


@pytest.mark.parametrize("name", READING_KINDS)
def test_every_measured_part_is_a_model_that_a_design_takes(name: str) -> None:
    part = measure(parse_readings(f"{name} {READING_KINDS[name].example}"))
    device = {"zener": "zener", "njfet": "jfet", "pjfet": "jfet"}.get(
        name, "mosfet" if name.endswith("fet") else "transistor"
    )
    kind = "diodes" if name in ("diode", "germanium", "schottky", "led") else device
    held = read_value(FieldInfo(kind, "", ""), tomllib.loads(f"x = {part.inline}")["x"])
    model = held.forward.model if kind == "diodes" else held
    assert model.name == f"measured {name}"
    assert getattr(model, "polarity", "npn") == (part.polarity or "npn")
    assert getattr(model, "family", "silicon") == (part.family or "silicon")


def test_a_measured_transistor_is_pasted_into_a_design() -> None:
    part = measure(parse_readings("npn 0.1mA=221 1mA=266 1mA=0.634V"))
    table = tomllib.loads(f"transistor = {part.inline}")["transistor"]
    held = load_design("treble_boost").with_value("boost.transistor", table)
    assert held.value("boost.transistor").forward_beta == pytest.approx(
        part.found["forward_beta"].value, rel=1e-3
    )


@pytest.mark.parametrize(
    "text",
    [
        "0.1mA=0.465V 1mA=0.582V 10mA=0.714V",
        "0.465V=0.1mA 0.582V=1mA 0.714V=10mA",
        "0.1 mA = 0.465 V 1 mA=0.582V  10mA = 0.714V",
        "10mA=714mV 100uA=465mV 1mA=582mV",
    ],
)
def test_readings_may_be_written_in_any_of_these_ways(text: str) -> None:
    usual = measure(parse_readings(THREE))
    other = measure(parse_readings(f"Diode {text}"))
    assert other.found["emission_coefficient"].value == pytest.approx(
        usual.found["emission_coefficient"].value, rel=1e-9
    )


@pytest.mark.parametrize(
    "text",
    [
        "current (mA),voltage (V)\n0.1,0.465\n1,0.582\n10,0.714\n",
        "\ufeff0.1mA,465mV\n1mA,582mV\n10mA,714mV\n",
        "# mine\nI [A];U [mV]\n0,0001;465\n0,001;582\n0,01;714\n",
        "0.0001\t0.465\n\n0.001\t0.582\n0.01\t0.714\n",
    ],
)
def test_readings_from_a_file(text: str, tmp_path) -> None:
    path = tmp_path / "my diode.csv"
    path.write_text(text, encoding="utf-8")
    part = measure(parse_readings(f"diode {path}"))
    usual = measure(parse_readings(THREE))
    assert part.inline == usual.inline


def test_gains_from_a_file(tmp_path) -> None:
    path = tmp_path / "gains.csv"
    path.write_text("IC (mA),hFE\n0.1,221\n1,266\n", encoding="utf-8")
    assert measure(parse_readings(f"npn {path}")).found["forward_beta"].value > 266.0


def test_as_json(capsys) -> None:
    assert main(["parts", "--measure", THREE, "--meter", "0.5%", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["meter"] == 0.005
    value = told["values"]["saturation_current"]
    assert value["low"] < value["value"] < value["high"]
    assert [r["shown"] for r in told["readings"]] == [0.465, 0.582, 0.714]
    assert told["inline"].startswith('{ name = "measured diode"')


def test_a_better_meter_knows_better() -> None:
    readings = parse_readings(THREE)
    rough, fine = (measure(readings, a).fitted.known_to.max() for a in (0.05, 0.001))
    assert rough > 10.0 * fine


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "--measure must begin with a kind of part (got ''; there are diode, germanium"),
        ("diod 1mA=0.6V", "(got 'diod'; did you mean 'diode'?)"),
        ("diode", "--measure has no readings; write --measure 'diode 0.1mA=0.465V"),
        ("diode 1mA=0.6V", "needs volts at 2 currents or more (got 1)"),
        ("diode 1mA=0.6V 1mA=0.61V", "needs volts at 2 currents or more (got 1)"),
        ("diode 1mA=0.6 10mA=0.7V", "1mA=0.6: needs amperes and volts, with units"),
        ("diode 1mA=0.7V 10mA=0.6V", "must rise with current (got 1mA=0.7V and 10mA=0.6V)"),
        ("diode -1mA=0.6V 2mA=0.7V", "-1mA=0.6V: must lie within 1e-12 to 10 A"),
        ("diode 1mA=0V 2mA=0.6V", "1mA=0V: must lie within 1e-06 to 1000 V (got 0)"),
        ("diode 1mA=0.6V=2 2mA=1V", "'1mA=0.6V=2' is no pair like 0.1mA=0.465V"),
        ("diode 1mA=0.6V 2mA", "'2mA' is no pair like 0.1mA=0.465V"),
        ("diode 1mA=1V 1.5mA=9V", "emission_coefficient would leave 0.3 to 20"),
        ("diode 1x=0.6V 2mA=1V", "1x=0.6V: needs amperes and volts"),
        ("diode 1mmA=0.6V 2mA=1V", "1mmA=0.6V: must be a current in amperes"),
        ("diode 1mA=0.6V forward 2mA=1V", "'forward' is no pair like"),
        ("zener 5mA=5.1V forward 10mA=0.77V", "needs volts backwards at 2 currents or more"),
        ("npn 1mA=0.6V", "a transistor needs a current gain, like 1mA=210"),
        ("npn 1mA=266 1mA=6V", "1mA=6V: base-emitter volts must be <= 2 V"),
        ("npn 1mA=266 1mA=0.6A", "1mA=0.6A: needs amperes and volts or a bare gain"),
        ("germanium-pnp 1mA=100", "a germanium transistor needs volts, like 1mA=0.189V"),
        ("npn 1mA=266 leakage 1mA=3", "1mA=3: needs volts and amperes, with units (like 9V="),
        ("npn 1mA=266 leakage 9V=1uA 9V=2uA", "one reading of leakage is enough (got 2)"),
        ("germanium-npn 1mA=99 1mA=0.18V leakage 9V=1nA", "must be more than the "),
        ("njfet 0V=3mA", "needs currents at 2 gate voltages or more (got 1)"),
        ("njfet 0V=3mA 1V=1mA", "the gate of this kind is measured at <= 0 V (got 1)"),
        ("pjfet 0V=3mA -1V=1mA", "the gate of this kind is measured at >= 0 V (got -1)"),
        ("njfet 0V=1mA -1V=3mA", "current must fall as the gate's volts grow"),
        ("nmosfet 2V=5mA 3V=1mA", "current must rise as the gate's volts grow"),
        ("diode " + "long" * 200, "cannot be read (File name too long)"),
        ("diode nowhere.csv", "'nowhere.csv' is neither a pair like 0.1mA=0.465V nor a file"),
    ],
)
def test_bad_readings_are_one_line(text: str, said: str, capsys) -> None:
    assert main(["parts", "--measure", text]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert said in told.err
    assert told.err.startswith("vadist: ")
    assert told.err.count("\n") == 1


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "holds no readings"),
        ("1,2,3\n", "line 1: must hold two columns (got 3)"),
        ("current (mW),voltage (V)\n1,2\n", "line 1: a column must be in A or V"),
        ("current (mA),voltage (V)\n1,0.6\n2,x\n", "line 3: needs amperes and volts"),
        (
            "current (mA),voltage (V)\n1,0.6\n2,-0.7\n",
            "line 3: must lie within 1e-06 to 1000 V (got -0.7)",
        ),
        ("0.001,0.6\n" * 1001, "at most 1000 readings (got 1001)"),
    ],
)
def test_bad_files_are_one_line(text: str, said: str, tmp_path, capsys) -> None:
    path = tmp_path / "bad.csv"
    path.write_text(text, encoding="utf-8")
    assert main(["parts", "--measure", f"diode {path}"]) == 2
    told = capsys.readouterr().err
    assert "bad.csv: " in told
    assert said in told
    assert told.count("\n") == 1


def test_files_that_cannot_be_text(tmp_path, capsys) -> None:
    path = tmp_path / "bytes.csv"
    path.write_bytes(b"\xff\xfe\x00=")
    assert main(["parts", "--measure", f"diode {path}"]) == 2
    assert "bytes.csv: cannot be read (it is no UTF-8 text)" in capsys.readouterr().err
    path.write_bytes(b"1,2\n" * 300_000)
    assert main(["parts", "--measure", f"diode {path}"]) == 2
    assert "longer than a file of readings can be (1 MB)" in capsys.readouterr().err
    assert main(["parts", "--measure", f"diode {tmp_path}"]) == 2
    assert "cannot be read (Is a directory)" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--meter", "1%"], "--meter goes with --measure"),
        (["--measure", THREE, "--meter", "1"], "--meter must be a percentage like 0.5% (got '1')"),
        (["--measure", THREE, "--meter", "nan%"], "--meter must lie within 0% to 20% (got nan%)"),
        (["--measure", THREE, "--meter", "30%"], "--meter must lie within 0% to 20% (got 30%)"),
        (["--measure", THREE, "1N4148"], "give --measure or words to search for, not both"),
    ],
)
def test_bad_options_are_one_line(words: list[str], said: str, capsys) -> None:
    assert main(["parts", *words]) == 2
    assert said in capsys.readouterr().err


def test_the_page_of_parts_shows_what_is_printed(capsys) -> None:
    page = (Path(__file__).parents[2] / "docs" / "parts.md").read_text(encoding="utf-8")
    shown = re.findall(r"```sh\nvadist (parts [^\n]*)\n```\n\n```text\n(.*?)```", page, re.DOTALL)
    assert len(shown) == 2
    for command, text in shown:
        assert main(shlex.split(command)) == 0
        printed = " ".join(capsys.readouterr().out.split())
        assert " ".join(text.split()) in printed


POWERS = st.floats(-13.0, 4.0)
WORDS = st.one_of(
    st.builds(lambda a, v: f"{10**a:.3g}A={10**v:.4g}V", POWERS, POWERS),
    st.builds(lambda a, v: f"{10**a:.3g}A={10**v:.4g}V", st.floats(-5.0, -1.0), st.floats(-1, 0)),
    st.builds(lambda v, a: f"{v:.3g}V={10**a:.4g}A", st.floats(-5.0, 5.0), POWERS),
    st.builds(lambda a, g: f"{10**a:.3g}A={10**g:.4g}", st.floats(-5.0, -1.0), st.floats(0, 4)),
    st.sampled_from(["forward", "leakage", "=", "1mA=", "=1V", "1mA=1V=1", "nan", "1mA=nanV"]),
)


@settings(max_examples=200, derandomize=True, deadline=None)
@given(st.sampled_from(sorted(READING_KINDS)), st.lists(WORDS, max_size=5),
       st.sampled_from([0.0, 0.01, 0.2]))  # fmt: skip
def test_any_readings_are_measured_or_refused(kind: str, words: list[str], accuracy: float) -> None:
    """Every number that is told is one, and what is pasted is TOML."""
    try:
        part = measure(parse_readings(" ".join([kind, *words])), accuracy)
    except UsageError as error:
        said = str(error)
    else:
        said = part.inline
    assert "\n" not in said
    if not said.startswith("{"):
        return
    told = json.dumps(part.as_json(accuracy), allow_nan=False)
    assert json.loads(told)["inline"] == part.inline
    assert tomllib.loads(f"x = {part.inline}")["x"]["name"] == f"measured {kind}"
    assert all("nan" not in line for line in part.lines(accuracy))
