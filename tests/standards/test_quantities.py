"""Authorities: IEC 60062 (marking codes), IEC 60063 (preferred numbers), the SI, dBu and dBV."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vadist.errors import DesignError
from vadist.quantities import (
    dbu_to_peak_volts,
    dbv_to_peak_volts,
    format_quantity,
    nearest_preferred,
    neighbours,
    parse_level,
    parse_loudness,
    parse_quantity,
    peak_volts_to_dbu,
    peak_volts_to_dbv,
    preferred_values,
    thermal_voltage,
    write_quantity,
)
from vadist.quantities.units import UNITS

FINITE = st.floats(allow_nan=False, allow_infinity=False)

# IEC 60062: R47, 4R7, 470R, 4K7, 47K3, 4M7. Capacitors by the same rule (from memory, not
# located). The others are plain SI.
READINGS = [
    ("R47", "ohm", 0.47),
    ("4R7", "ohm", 4.7),
    ("470R", "ohm", 470.0),
    ("4K7", "ohm", 4700.0),
    ("4k7", "ohm", 4700.0),
    ("47K3", "ohm", 47300.0),
    ("4M7", "ohm", 4.7e6),
    ("2M2", "ohm", 2.2e6),
    ("1k0", "ohm", 1000.0),
    ("4k7 Ω", "ohm", 4700.0),
    ("4.7k", "ohm", 4700.0),
    ("4.7 kohm", "ohm", 4700.0),
    ("4.7 k\u2126", "ohm", 4700.0),
    ("1 Megohm", "ohm", 1e6),
    ("22m", "ohm", 0.022),
    ("22M", "ohm", 22e6),
    ("4700", "ohm", 4700.0),
    (4700, "ohm", 4700.0),
    (" 4700 ", "ohm", 4700.0),
    ("2n2", "F", 2.2e-9),
    ("n47", "F", 0.47e-9),
    ("100n", "F", 1e-7),
    ("100nF", "F", 1e-7),
    ("2n2F", "F", 2.2e-9),
    ("0.1u", "F", 1e-7),
    ("47µ", "F", 47e-6),
    ("47\u03bcF", "F", 47e-6),
    ("1e-8", "F", 1e-8),
    ("1e-8 F", "F", 1e-8),
    ("2.4H", "H", 2.4),
    ("4m7", "H", 4.7e-3),
    ("500mV", "V", 0.5),
    ("-9 V", "V", -9.0),
    ("1k5", "Hz", 1500.0),
    ("1.5 kHz", "Hz", 1500.0),
    ("2.52nA", "A", 2.52e-9),
    ("1:02", "s", 62.0),
    ("0:00.25", "s", 0.25),
    ("90:00", "s", 5400.0),
    ("1:02:03.5", "s", 3723.5),
    ("6.734f", "A", 6.734e-15),
    ("20 ms", "s", 0.02),
    ("13 V/us", "V/s", 13e6),
    ("18 nV/rtHz", "V/rtHz", 18e-9),
    ("200k", "", 2e5),
    ("0.5", "", 0.5),
]


@pytest.mark.parametrize(("text", "unit", "value"), READINGS)
def test_each_notation_is_read_to_the_last_bit(
    text: str | int | float, unit: str, value: float
) -> None:
    assert parse_quantity(text, unit) == value


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("100nF", "ohm"),
        ("100n", "ohm"),
        ("4k7", "F"),
        ("4M7", "H"),
        ("470R", "F"),
        ("10 V", "A"),
        ("1S", "s"),
        ("", "ohm"),
        ("R", "ohm"),
        ("k", "ohm"),
        ("4k7k", "ohm"),
        ("4 7k", "ohm"),
        ("4k 7", "ohm"),
        ("4,7k", "ohm"),
        ("4E7", "ohm"),
        ("1_000", "ohm"),
        ("٤k٧", "ohm"),
        ("100nf", "F"),
        ("--4k7", "ohm"),
        ("nan", "ohm"),
        ("inf", "V"),
        ("1e999", "ohm"),
        ("1e" + "9" * 5000, "ohm"),
        (math.nan, "ohm"),
        (math.inf, "ohm"),
        (10**400, "ohm"),
        (True, "ohm"),
        (None, "ohm"),
        ([4700], "ohm"),
    ],
)
def test_anything_else_is_refused(text: str, unit: str) -> None:
    with pytest.raises(DesignError, match=r"^must be a"):
        parse_quantity(text, unit)


def test_refusal_says_the_rule_the_value_and_what_would_do() -> None:
    with pytest.raises(DesignError) as refusal:
        parse_quantity("100nF", "ohm")
    assert str(refusal.value) == (
        "must be a resistance in ohms (got '100nF'; write it like 4k7 or 470R)"
    )
    with pytest.raises(DesignError) as refusal:
        parse_quantity("4k7", "F")
    assert str(refusal.value) == (
        "must be a capacitance in farads "
        "(got '4k7'; kF is no usual unit; write it like 100n or 2n2)"
    )


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.47, "ohm", "R47"),
        (0.047, "ohm", "R047"),
        (4.7, "ohm", "4R7"),
        (470.0, "ohm", "470R"),
        (4700.0, "ohm", "4k7"),
        (47300.0, "ohm", "47k3"),
        (4.7e6, "ohm", "4M7"),
        (999.9, "ohm", "1k"),
        (-4700.0, "ohm", "-4k7"),
        (0.0, "ohm", "0R"),
        (2.2e-9, "F", "2n2"),
        (100e-9, "F", "100n"),
        (0.5e-12, "F", "0p5"),
        (47e-6, "F", "47u"),
        (2.4, "H", "2.40 H"),
        (1591.549, "Hz", "1.59 kHz"),
        (999.9, "Hz", "1.00 kHz"),
        (9.0, "V", "9.00 V"),
        (0.0, "V", "0 V"),
        (25.2e-6, "A", "25.2 µA"),
        (0.0207, "s", "20.7 ms"),
        (math.inf, "V", "inf V"),
    ],
)
def test_values_are_shown_as_the_trade_writes_them(value: float, unit: str, text: str) -> None:
    assert format_quantity(value, unit) == text


@given(
    value=st.floats(1e-30, 1e30) | st.floats(-1e30, -1e-30) | st.just(0.0),
    unit=st.sampled_from(sorted(UNITS)),
)
def test_shown_values_read_back_within_their_rounding(value: float, unit: str) -> None:
    # Three significant digits: half a unit of the third is at most 0.5 %.
    assert parse_quantity(format_quantity(value, unit), unit) == pytest.approx(value, rel=5.001e-3)


@given(value=FINITE, unit=st.sampled_from(sorted(UNITS)))
def test_written_values_read_back_exactly(value: float, unit: str) -> None:
    assert parse_quantity(write_quantity(value, unit), unit) == value


@given(
    significand=st.integers(1, 9999),
    power=st.integers(-16, 10),
    unit=st.sampled_from(sorted(UNITS)),
)
def test_short_written_values_read_back_exactly(significand: int, power: int, unit: str) -> None:
    value = float(f"{significand}e{power}")
    assert parse_quantity(write_quantity(value, unit), unit) == value


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (4700.0, "ohm", "4k7"),
        (2.2e-9, "F", "2n2"),
        (47120.0, "ohm", "47k12"),
        (4712.345678, "ohm", "4712.345678 ohm"),
        (1500.0, "Hz", "1.5 kHz"),
        (9.0, "V", "9 V"),
        (0.5, "", "0.5"),
    ],
)
def test_written_values_stay_readable(value: float, unit: str, text: str) -> None:
    assert write_quantity(value, unit) == text


def test_a_value_that_is_not_finite_cannot_be_written() -> None:
    with pytest.raises(DesignError, match=r"finite \(got inf\)"):
        write_quantity(math.inf, "V")


# IEC 60063. E24 is from memory, not located; E6, E12, E96 and the exception of E192 are quoted
# from documents that reproduce the standard.
SERIES_TIMES_TEN = {
    "E3": "10 22 47",
    "E6": "10 15 22 33 47 68",
    "E12": "10 12 15 18 22 27 33 39 47 56 68 82",
    "E24": "10 11 12 13 15 16 18 20 22 24 27 30 33 36 39 43 47 51 56 62 68 75 82 91",
}
E96_TIMES_HUNDRED = """
100 102 105 107 110 113 115 118 121 124 127 130 133 137 140 143 147 150 154 158 162 165 169 174
178 182 187 191 196 200 205 210 215 221 226 232 237 243 249 255 261 267 274 280 287 294 301 309
316 324 332 340 348 357 365 374 383 392 402 412 422 432 442 453 464 475 487 499 511 523 536 549
562 576 590 604 619 634 649 665 681 698 715 732 750 768 787 806 825 845 866 887 909 931 953 976
"""


@pytest.mark.parametrize("series", SERIES_TIMES_TEN)
def test_coarse_series_are_the_standards(series: str) -> None:
    published = tuple(int(v) / 10 for v in SERIES_TIMES_TEN[series].split())
    assert preferred_values(series) == published


def test_fine_series_are_the_standards() -> None:
    published = tuple(int(v) / 100 for v in E96_TIMES_HUNDRED.split())
    assert preferred_values("E96") == published
    assert preferred_values("E48") == published[::2]
    e192 = preferred_values("e192")
    assert e192[::2] == published
    assert len(e192) == 192
    assert e192[185] == 9.20
    assert list(e192) == sorted(set(e192))


@pytest.mark.parametrize(
    ("value", "series", "nearest"),
    [
        (4700.0, "E12", 4700.0),
        (4900.0, "E12", 4700.0),
        (9.5e3, "E12", 10e3),
        (0.99e-7, "E6", 1e-7),
        (1.0, "E3", 1.0),
        (2.2e-9, "E24", 2.2e-9),
        (12.4, "E6", 15.0),  # above the geometric mean of 10 and 15, 12.25
        (12.1, "E6", 10.0),
    ],
)
def test_nearest_preferred_value(value: float, series: str, nearest: float) -> None:
    assert nearest_preferred(value, series) == nearest


def test_neighbours_cross_the_decade() -> None:
    assert neighbours(10e3, "E12", 2) == (6800.0, 8200.0, 10e3, 12e3, 15e3)
    assert neighbours(8.9, "E12", 1) == (6.8, 8.2, 10.0)


@given(value=st.floats(1e-15, 1e12), series=st.sampled_from(["E3", "E6", "E12", "E24", "E96"]))
def test_nearest_is_no_further_than_any_other(value: float, series: str) -> None:
    below, nearest, above = neighbours(value, series, 1)

    def distance(candidate: float) -> float:
        return abs(math.log(candidate / value))

    # 1e-12: rounding of the logarithms where two candidates are equally far.
    assert distance(nearest) <= min(distance(below), distance(above)) + 1e-12


def test_preferred_numbers_refuse_nonsense() -> None:
    with pytest.raises(DesignError, match=r"one of E3, E6, .* \(got 'E13'\)"):
        preferred_values("E13")
    for value in (0.0, -1.0, math.nan, math.inf):
        with pytest.raises(DesignError, match="value must be > 0 and finite"):
            nearest_preferred(value, "E12")
    with pytest.raises(DesignError, match=r"count must be >= 0 \(got -1\)"):
        neighbours(1.0, "E12", -1)


# Computed from 0 dBu = 1 mW in 600 ohm; the tolerance is the rounding of the table.
@pytest.mark.parametrize(
    ("text", "peak_v", "rounding"),
    [
        ("0dBu", 1.095445, 5e-7),
        ("6dBu", 2.1857, 5e-5),
        ("+10 dBu", 3.4641, 5e-5),
        ("12dBu", 4.3610, 5e-5),
        ("14 dbu", 5.4902, 5e-5),
        ("18dBu", 8.7014, 5e-5),
        ("20dBu", 10.9545, 5e-5),
        ("0dBV", math.sqrt(2.0), 1e-15),
        ("-3dBV", math.sqrt(2.0) * 10 ** (-3 / 20), 1e-15),
        ("1.0V", 1.0, 0.0),
        ("500mV", 0.5, 0.0),
        (1, 1.0, 0.0),
    ],
)
def test_levels_are_peak_volts(text: str, peak_v: float, rounding: float) -> None:
    assert parse_level(text) == pytest.approx(peak_v, abs=rounding, rel=0.0)


@given(level=st.floats(-200.0, 200.0))
def test_decibels_and_volts_are_inverse(level: float) -> None:
    # 1e-12 dB: rounding of a power and a logarithm at 200 dB.
    assert peak_volts_to_dbu(dbu_to_peak_volts(level)) == pytest.approx(level, abs=1e-12)
    assert peak_volts_to_dbv(dbv_to_peak_volts(level)) == pytest.approx(level, abs=1e-12)


@pytest.mark.parametrize(
    "text",
    ["12dB", "dBu", "loud", "-1V", "0V", "1A", "", "nandBu", "99999dBu", "-9999dBu", True, None],
)
def test_other_levels_are_refused(text: str) -> None:
    with pytest.raises(DesignError, match=r"must be a level above 0 V \(got .*; write it like"):
        parse_level(text)


def test_level_of_silence_is_refused() -> None:
    with pytest.raises(DesignError, match="level must be > 0 V"):
        peak_volts_to_dbu(0.0)


def test_thermal_voltage_from_the_exact_constants_of_the_si() -> None:
    # Computed from the defining constants; the tolerance is the rounding to a nanovolt.
    assert thermal_voltage(298.15) == pytest.approx(25.692579e-3, abs=5e-10)
    assert thermal_voltage() == pytest.approx(25.852000e-3, abs=5e-10)
    for temperature in (0.0, -1.0, math.nan):
        with pytest.raises(DesignError, match="temperature must be > 0 K"):
            thermal_voltage(temperature)


@pytest.mark.parametrize("text", ["1:2", "1:60", ":30", "1:02:3", "1:02s", "-1:02", "1:2:03"])
def test_what_no_clock_shows(text):
    with pytest.raises(DesignError, match="a time in seconds"):
        parse_quantity(text, "s")


def test_a_clock_shows_time_alone():
    with pytest.raises(DesignError, match="a frequency in hertz"):
        parse_quantity("1:02", "Hz")


@pytest.mark.parametrize(
    ("text", "level"), [("-18LUFS", -18.0), ("-14LKFS", -14.0), ("-9.5 lufs", -9.5), ("0LUFS", 0)]
)
def test_two_names_of_one_loudness(text, level):
    """EBU R 128 writes LUFS, ITU-R BS.1770 LKFS."""
    assert parse_loudness(text) == level


@pytest.mark.parametrize("text", ["-18", "LUFS", "-18dB", "nanLUFS", "-infLUFS", "1e3LUFS"])
def test_what_is_no_loudness(text):
    with pytest.raises(DesignError, match="must be a loudness"):
        parse_loudness(text)
