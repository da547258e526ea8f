"""Contract of ``Design.with_value``: it takes what ``--set`` takes and refuses what that refuses.

Authority: ``apply_settings``, the command line's own entry, and the design file's reader.
"""

import numpy as np
import pytest

from vadist.designs.files import apply_settings, load_design, parse_design, write_design
from vadist.errors import DesignError
from vadist.stages import Pot

DESIGN = load_design("boosted_hard_clipper")
TAKEN = [
    ("clipper.shunt_capacitor", "22n"),
    ("clipper.shunt_capacitor", "none"),
    ("clipper.diodes", "red LED"),
    ("clipper.diodes", '{type = "1N4148", count = 2}'),
    ("drive", "70%"),
    ("boost.transistor", "2N5088"),
    ("boost.transistor.forward_beta", "200"),
    ("supply.volts", "12V"),
    ("gain.drive_pot", "250k"),
]
REFUSED = [
    ("clipper.shunt_capacitor", "15ohm"),
    ("clipper.diodes", "none"),
    ("drive", "2"),
    ("drive", "loud"),
    ("boost.transistor", "2N3906"),
    ("boost.transistor.forward_beta", "-1"),
    ("boost.transistor.forward_bta", "1"),
    ("clipper.shunt_capcitor", "22n"),
]


@pytest.mark.parametrize(("path", "text"), TAKEN)
def test_text_is_read_as_a_setting_is(path: str, text: str) -> None:
    changed = DESIGN.with_value(path, text)
    assert changed != DESIGN
    assert changed == apply_settings(DESIGN, [f"{path}={text}"])
    assert parse_design(write_design(changed)) == changed


@pytest.mark.parametrize(("path", "text"), REFUSED)
def test_text_is_refused_as_a_setting_is(path: str, text: str) -> None:
    with pytest.raises(DesignError) as direct:
        DESIGN.with_value(path, text)
    with pytest.raises(DesignError) as typed:
        apply_settings(DESIGN, [f"{path}={text}"])
    assert str(direct.value) == str(typed.value)
    assert len(str(direct.value).splitlines()) == 1


def test_numbers_and_parts_mean_what_they_mean_in_a_file() -> None:
    assert DESIGN.with_value("clipper.shunt_capacitor", 22e-9) == DESIGN.with_value(
        "clipper.shunt_capacitor", "22n"
    )
    assert DESIGN.with_value("supply.volts", np.int64(12)).supply.volts == 12.0
    assert DESIGN.with_value("drive", np.float32(0.5)).value("drive") == 0.5
    kept = DESIGN.with_value("gain.drive_pot", Pot(1e5, 0.2)).with_value("gain.drive_pot", 2e5)
    assert kept.value("gain.drive_pot") == Pot(2e5, 0.2)
    assert DESIGN.with_value("clipper.shunt_capacitor", None).value(
        "clipper.shunt_capacitor"
    ) is None  # fmt: skip


@pytest.mark.parametrize(
    ("path", "value", "told"),
    [
        ("drive", 2.0, r"^drive: position must be within 0\.\.1 .got 2."),
        ("drive", True, r"^drive must be a number .got True"),
        ("drive", None, "^drive must not be left out"),
        ("source.resistance", None, r"^source\.resistance must not be left out"),
        ("load.resistance", float("nan"), "^load.resistance must be .* finite"),
        ("supply.volts", 1 + 2j, r"^supply\.volts must be a voltage in volts"),
        ("clipper.diodes", Pot(1e5), r"^clipper\.diodes must be a type of diode"),
        ("clipper.diodes", 3, r"^clipper\.diodes must be .* .got 3."),
        ("boost.transistor", 3, r"^boost\.transistor must be a type from the library"),
        ("boost.transistor.forward_beta", None, "forward_beta must be a number"),
        ("gain.drive_pot", object(), r"^gain\.drive_pot must be a resistance in ohms"),
    ],
)
def test_what_cannot_stand_there_is_refused_in_one_line(path, value, told) -> None:
    with pytest.raises(DesignError, match=told) as found:
        DESIGN.with_value(path, value)
    assert len(str(found.value).splitlines()) == 1
