"""Authority: the straight-line equations of a pot track made of two pieces."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vadist.errors import DesignError
from vadist.parts import TAPERS, wiper_fraction

POSITION = st.floats(0.0, 1.0)
TAPER = st.sampled_from(sorted(TAPERS))

# Resistance at half rotation: audio 10 or 15 %, linear 50 %, reverse audio the mirror image
# (pot makers' data sheets, from memory, none located).
HALF = {
    "linear": 0.5,
    "audio 10%": 0.10,
    "audio 15%": 0.15,
    "reverse audio 10%": 0.90,
    "reverse audio 15%": 0.85,
}


def test_each_taper_is_checked_here() -> None:
    assert HALF.keys() == TAPERS.keys()


@pytest.mark.parametrize("taper", HALF)
def test_ends_and_half_rotation(taper: str) -> None:
    assert wiper_fraction(taper, 0.0) == 0.0
    assert wiper_fraction(taper, 0.5) == HALF[taper]
    assert wiper_fraction(taper, 1.0) == 1.0


@pytest.mark.parametrize(
    ("taper", "position", "fraction"),
    [
        ("linear", 0.3, 0.3),
        ("audio 10%", 0.25, 0.05),
        ("audio 10%", 0.75, 0.55),
        ("audio 15%", 0.9, 0.83),
        ("reverse audio 10%", 0.25, 0.45),
        ("reverse audio 15%", 0.75, 0.925),
    ],
)
def test_points_worked_by_hand(taper: str, position: float, fraction: float) -> None:
    # 1e-15: a few roundings.
    assert wiper_fraction(taper, position) == pytest.approx(fraction, abs=1e-15)


@given(taper=TAPER, one=POSITION, other=POSITION)
def test_turning_up_never_turns_down(taper: str, one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert 0.0 <= wiper_fraction(taper, low) <= wiper_fraction(taper, high) <= 1.0


@pytest.mark.parametrize("taper", HALF)
def test_the_pieces_meet(taper: str) -> None:
    below, above = math.nextafter(0.5, 0.0), math.nextafter(0.5, 1.0)
    low, middle, high = (wiper_fraction(taper, p) for p in (below, 0.5, above))
    assert low <= middle <= high
    assert high - low < 1e-14


@given(position=POSITION, percent=st.sampled_from(["10%", "15%"]))
def test_reverse_audio_mirrors_audio(position: float, percent: str) -> None:
    mirrored = 1.0 - wiper_fraction(f"audio {percent}", 1.0 - position)
    # 1e-15: a few roundings of numbers below one.
    assert wiper_fraction(f"reverse audio {percent}", position) == pytest.approx(
        mirrored, abs=1e-15
    )


@pytest.mark.parametrize("position", [-0.01, 1.01, math.nan, math.inf])
def test_a_position_off_the_scale_is_refused(position: float) -> None:
    with pytest.raises(DesignError, match=r"position must be within 0..1 \(got"):
        wiper_fraction("linear", position)


def test_an_unknown_taper_gets_the_nearest_names() -> None:
    with pytest.raises(DesignError, match=r"known taper \(got 'audio'; nearest: .*audio 10%"):
        wiper_fraction("audio", 0.5)
