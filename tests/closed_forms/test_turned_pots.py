"""A pot that is turned during a take, against what a divider and a capacitor are known to do.

Authority: the divider's ratio at every moment (Ohm and Kirchhoff); the charge of a capacitor
behind a resistance that falls evenly (separation of variables).
"""

import numpy as np
import pytest
from signals import energy_ratio_db

from vadist.designs.files import parse_design
from vadist.rendering.arrays import render
from vadist.stepping import curves

FS, REACH = 48_000, 256

DIVIDER = """
name = "divider"
[load]
resistance = "50k"
[[stage]]
name = "volume"
type = "wired"
[stage.parts]
track = "pot 100k: top to source, wiper to output, bottom to ground"
[controls.level]
moves = ["volume.track"]
taper = "audio 15%"
position = 0.5
"""

FRAMES = 9600
TIME = np.arange(FRAMES) / FS
SINE_HZ = 1000.0


def ratio(turned_by):
    """Of the loaded divider: 15 % of the track at half rotation, straight on either side."""
    below = np.where(turned_by < 0.5, 0.3 * turned_by, 1.0 - 0.85 * 2.0 * (1.0 - turned_by))
    lower = 1e5 * below
    loaded = lower * 5e4 / (lower + 5e4)
    return loaded / (1e5 - lower + loaded)


def test_a_swept_divider_is_its_ratio_at_every_moment_without_a_zipper_line() -> None:
    """Error in all below -105 dB, and no line of it above -120 dB of the sine."""
    take = np.sin(2.0 * np.pi * SINE_HZ * TIME)
    design = parse_design(DIVIDER)
    found = render(design, take, FS, moves=["level=0.1@50ms,0.9@150ms"]).volts[:, 0]
    wanted = take * ratio(np.interp(TIME, [0.05, 0.15], [0.1, 0.9]))
    kept = slice(REACH, -REACH)
    error = (found - wanted)[kept]
    window = np.hanning(len(error))
    lines = 2.0 * np.abs(np.fft.rfft(error * window)) / window.sum()
    error_db = energy_ratio_db(error, wanted[kept])
    line_db = 20.0 * np.log10(lines.max())
    print(f"{error_db:.1f} dB in all, highest line {line_db:.1f} dB")
    assert error_db < -105.0
    assert line_db < -120.0


def test_lines_half_as_long_are_off_by_a_quarter(monkeypatch) -> None:
    """What follows the curve is of second order in the length of its lines: 12 dB for each half.

    Against the closed form, on one side of the taper's corner; lines so long that nothing else is
    seen.
    """
    take = np.sin(2.0 * np.pi * SINE_HZ * TIME)
    turned_by = np.interp(TIME, [0.05, 0.15], [0.6, 0.95])
    wanted = (take * ratio(turned_by))[REACH:-REACH]
    monkeypatch.setattr(curves, "OFF_LINE", 1.0)
    design, off = parse_design(DIVIDER), []
    for lines in (4, 8, 16):
        monkeypatch.setattr(curves, "_LEAST_LINES", lines)
        found = render(design, take, FS, moves=["level=0.6@50ms,0.95@150ms"]).volts[:, 0]
        off.append(energy_ratio_db(found[REACH:-REACH] - wanted, wanted))
    print([f"{each:.1f} dB" for each in off])
    assert -np.diff(off) == pytest.approx(12.0, abs=1.0)


VOLUME = """
name = "volume"
[load]
resistance = "1G"
[[stage]]
name = "volume"
type = "level_control"
input_capacitor = "220n"
level_pot = "100k"
[controls.level]
moves = ["volume.level_pot"]
position = 0.5
"""


@pytest.mark.parametrize("factor", [8, 128])
def test_a_volume_knob_that_is_turned_up_from_nothing(factor) -> None:
    """A high-pass of 7.2 Hz, (2 pi 220n 100k)^-1, times the rotation: at rest it is not heard."""
    turns = 2j * np.pi * SINE_HZ * 220e-9 * 1e5
    passed = (turns / (1.0 + turns)) * np.exp(2j * np.pi * SINE_HZ * TIME)
    wanted = np.imag(passed) * np.interp(TIME, [0.12, 0.16], [0.0, 1.0])
    found = render(
        parse_design(VOLUME), np.sin(2.0 * np.pi * SINE_HZ * TIME), FS, oversample=factor,
        moves=["level=0@120ms,1@160ms"],
    ).volts[:, 0]  # fmt: skip
    kept = slice(round(0.12 * FS), -REACH)
    error_db = energy_ratio_db((found - wanted)[kept], wanted[kept])
    print(f"{error_db:.1f} dB at {factor}x")
    assert error_db < -90.0


CHARGING = """
name = "charging"
[load]
resistance = "10G"
[[stage]]
name = "cut"
type = "wired"
[stage.parts]
knob = "rheostat 100k: source to output"
shunt = "capacitor 1u: output to ground"
[controls.tone]
moves = ["cut.knob"]
position = 0.5
"""


def test_a_capacitor_that_discharges_through_a_falling_resistance() -> None:
    """Of v' = -v / (R C) with R = R0 - k t: v falls as (R / R0)^(1 / (k C)).

    A volt for 0.1 s, then a wait: the start of the fall is the render's own.
    """
    frames = 24_000
    time = np.arange(frames) / FS
    take = np.where(time < 0.1, 1.0, 0.0)
    found = render(
        parse_design(CHARGING), take, FS, moves=["tone=1@0.2s,0.1@0.4s"], oversample=8
    ).volts[:, 0]
    first, last = round(0.2 * FS), round(0.38 * FS)
    fall = 1e5 * 0.9 / 0.2  # ohm a second
    ohm = 1e5 - fall * (time[first:last] - 0.2)
    wanted = found[first] * (ohm / 1e5) ** (1.0 / (fall * 1e-6))
    off = np.abs(found[first:last] - wanted).max() / found[first]
    print(f"{off:.1e} of {found[first]:.3f} V")
    assert off < 1e-5
