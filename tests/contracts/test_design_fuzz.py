"""Contract of design files under nonsense: only DesignError may escape, with its place.

The reader is fed random text, presets with characters changed, and tables of the right shape with
wrong values. A design that is accepted must survive writing.
"""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vadist.designs.files import load_design, parse_design, parse_value, preset_names, preset_path
from vadist.designs.files import write_design as write
from vadist.designs.words import toml_string
from vadist.errors import DesignError
from vadist.stages import STAGES

pytestmark = pytest.mark.filterwarnings("ignore::vadist.errors.DesignWarning")

FUZZ = settings(derandomize=True, deadline=None, database=None, max_examples=200)
TEXTS = [preset_path(name).read_text(encoding="utf-8") for name in preset_names()]
WORDS = [
    *("none", "1N4148", "red LED", "TL072", "2N3904", "4k7", "100n", "9V", "-1", "1e999", "0"),
    *("bias", "ground", "linear", "audio 10%", "gain", "gain.drive_pot", "-gain.drive_pot"),
    *("source", "a", "", "6.7fA", "1e-400F", "13 V/us", "\n", "\u2126", *STAGES),
]
KEYS = sorted(
    {field for stage in STAGES.values() for field in stage.fields()}
    | {"name", "type", "count", "parallel", "forward", "reverse", "resistance", "wiper", "moves"}
    | {"saturation_current", "emission_coefficient", "series_resistance", "family", "forward_beta"}
    | {"reverse_beta", "early_voltage", "taper", "position", "volts", "rests_at", "odd key\n"}
)


def toml(value):
    if isinstance(value, dict):
        return "{" + ", ".join(f"{toml_string(k)} = {toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    return toml_string(value) if isinstance(value, str) else repr(value)


characters = st.characters(exclude_categories=["Cs"])
scalars = (
    st.sampled_from(WORDS)
    | st.text(characters, max_size=8)
    | st.integers(-(10**30), 10**30)
    | st.floats()
    | st.booleans()
)
values = st.recursive(
    scalars,
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(KEYS), inner, max_size=5)
    ),
    max_leaves=12,
)  # fmt: skip


def read(text):
    """Read; nothing but DesignError may escape, and what is accepted survives writing."""
    try:
        design = parse_design(text, "fuzz.toml")
    except DesignError as error:
        lines = str(error).split("\n")
    else:
        assert parse_design(write(design)) == design
        return
    assert [line for line in lines if not line.startswith("fuzz.toml: ")] == []


@FUZZ
@given(st.text(characters, max_size=200))
def test_random_text(text):
    read(text)


@FUZZ
@given(st.data())
def test_presets_with_changed_characters(data):
    text = data.draw(st.sampled_from(TEXTS))
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(text)))
        length = data.draw(st.integers(0, 6))
        new = data.draw(st.sampled_from(['"', "=", "[", "{", "none", "9", "-", "\n", "k", "", "é"]))
        text = text[:at] + new + text[at + length :]
    read(text)


@FUZZ
@given(st.data())
def test_stages_of_the_right_shape_with_wrong_values(data):
    blocks = [f"name = {toml(data.draw(scalars))}"]
    for table in data.draw(st.sets(st.sampled_from(["supply", "source", "load", "controls"]))):
        blocks.append(f"{table} = {toml(data.draw(values))}")
    for _ in range(data.draw(st.integers(0, 3))):
        kind = data.draw(st.sampled_from(list(STAGES)))
        fields = data.draw(st.sets(st.sampled_from(list(STAGES[kind].fields()))))
        lines = ["[[stage]]", f"name = {toml(data.draw(scalars))}", f"type = {toml(kind)}"]
        lines += [f"{field} = {toml(data.draw(values))}" for field in sorted(fields)]
        blocks.append("\n".join(lines))
    read("\n".join(blocks))


@FUZZ
@given(st.data())
def test_presets_with_one_wrong_value(data):
    lines = data.draw(st.sampled_from(TEXTS)).splitlines()
    rows = [k for k, line in enumerate(lines) if " = " in line]
    row = data.draw(st.sampled_from(rows))
    key = lines[row].partition(" = ")[0]
    lines[row] = f"{key} = {toml(data.draw(values))}"
    read("\n".join(lines))


@FUZZ
@given(st.data())
def test_settings(data):
    design = load_design(data.draw(st.sampled_from(preset_names())))
    path = data.draw(st.sampled_from(design.paths) | st.text(characters, max_size=10))
    text = data.draw(values.map(toml) | st.sampled_from(WORDS) | st.text(characters, max_size=10))
    try:
        value = parse_value(design, path, text)
        candidate = design.with_value(path, value)
    except DesignError:
        return
    try:
        assert parse_design(write(candidate)) == candidate
    except DesignError as error:
        pytest.fail(f"accepted {path}={text!r} but: {error}")
