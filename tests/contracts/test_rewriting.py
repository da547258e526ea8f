"""Contract of writing a design back: what changed is replaced, all else stays byte for byte.

Authority: the person's own file, line by line; and the reader of design files.
"""

import dataclasses

import pytest

from vadist.designs.design import Design
from vadist.designs.files import design_text, load_design, parse_design, preset_names, write_design
from vadist.stages import DiodePair, Pot

OWN = """# a board of mine
name="mine"
supply.volts = 9   # adapter
[[stage]]
type = "transistor_boost"   # type first
name = "boost"

collector_resistor = "5600R"
input_capacitor    = "0.1u"
feedback_resistor  = "390k" # from the drawer

[stage.transistor]
# measured
name = "mine"
saturation_current = 1e-14
forward_beta = 2e2  # hFE
reverse_beta = 1

[[stage]]
name = "clipper"
type = "diode_clipper"
series_resistor = 1000.0
diodes = { forward = { type = "1N4148", count = 1 }, reverse = "red LED" } # unlike
"""


def changed_lines(before: str, after: str) -> tuple[set[str], set[str]]:
    old, new = before.splitlines(), after.splitlines()
    return set(old) - set(new), set(new) - set(old)


@pytest.mark.parametrize("name", preset_names())
def test_an_unchanged_design_is_its_file(name: str) -> None:
    text = design_text(name)
    assert write_design(load_design(name), text) == text


@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_ones_own_spelling_and_line_ends_stay(ends: str) -> None:
    text = OWN.replace("\n", ends)
    design = parse_design(text)
    assert write_design(design, text) == text
    changed = write_design(design.with_value("boost.feedback_resistor", "470k"), text)
    assert changed == text.replace('"390k" # from the drawer', '"470k" # from the drawer')


DESIGN = load_design("soft_clipper")


@pytest.mark.parametrize("path", [p for p in DESIGN.paths if DESIGN.value(p) is not None])
def test_one_changed_value_changes_one_line_and_no_comment(path: str) -> None:
    text, value = design_text("soft_clipper"), DESIGN.value(path)
    if isinstance(value, Pot):
        value = Pot(value.resistance / 2.0, 0.3)
    elif isinstance(value, float):
        value = value / 2.0 if value else 1.0
    elif isinstance(value, DiodePair):
        value = "red LED" if value.forward.model.name != "red LED" else "1N4148"
    elif isinstance(value, str):
        value = next(c for c in DESIGN.field_info(path).choices if c != value)
    else:
        number = next(
            f.name for f in dataclasses.fields(value) if f.type == "float" or "_" in f.name
        )
        value = dataclasses.replace(value, **{number: getattr(value, number) / 2.0})
    candidate = DESIGN.with_value(path, value)
    written = write_design(candidate, text)
    assert parse_design(written) == candidate
    removed, added = changed_lines(text, written)
    assert len(removed) <= 1
    for old in removed:
        assert old.partition("  #")[2] == added.pop().partition("  #")[2]


def test_a_value_inside_a_part_keeps_the_rest_of_it() -> None:
    design = parse_design(OWN).with_value("boost.transistor.forward_beta", "250")
    assert write_design(design, OWN) == OWN.replace("2e2  # hFE", "250.0  # hFE")
    design = parse_design(OWN).with_value(
        "clipper.diodes", '{forward = "1N34A", reverse = "red LED"}'
    )
    assert write_design(design, OWN) == OWN.replace('{ type = "1N4148", count = 1 }', '"1N34A"')


def test_what_was_left_out_is_added_and_what_goes_is_removed() -> None:
    design = parse_design(OWN)
    candidate = design.with_value("clipper.shunt_capacitor", "10n").with_value(
        "source.inductance", 2.0
    )
    written = write_design(candidate, OWN)
    assert parse_design(written) == candidate
    removed, added = changed_lines(OWN, written)
    assert not removed
    assert 'shunt_capacitor = "10n"' in added
    assert write_design(design, written) != written
    assert parse_design(write_design(design, written)) == design


def test_another_circuit_is_written_afresh() -> None:
    design = parse_design(OWN)
    other = Design("other", {"clipper": design.stages["clipper"]})
    assert write_design(other, OWN) == write_design(other)


def test_the_original_may_be_named_by_its_path(tmp_path) -> None:
    path = tmp_path / "mine.toml"
    path.write_bytes(OWN.encode())
    changed = load_design(path).with_value("supply.volts", 12)
    assert write_design(changed, path) == OWN.replace("supply.volts = 9 ", 'supply.volts = "12 V" ')
