"""Contract of wiring lists at random: each is solved, or refused in lines that name their place.

``python tests/studies/wirings.py`` runs 5 000 of them.
"""

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from random_wirings import designs

from vadist.analysis.chain_response import solve_design, stage_responses
from vadist.designs.files import parse_design, write_design
from vadist.designs.words import toml_string
from vadist.errors import ConvergenceError, DesignError

pytestmark = pytest.mark.filterwarnings("ignore::vadist.errors.DesignWarning")

LONGEST_S = 10.0
characters = st.characters(exclude_categories=["Cs"])
FUZZ = settings(derandomize=True, deadline=None, database=None)


def outcome(text: str) -> str:
    """``solved``, ``refused`` or ``not found``; anything else escapes."""
    start = time.perf_counter()
    try:
        design = parse_design(text, "fuzz.toml")
        assert parse_design(write_design(design)) == design
        solved = solve_design(design)
        gains = stage_responses(solved, [100.0, 1e3, 1e4])["block"]
        assert np.isfinite(gains).all()
        assert np.isfinite(list(solved.node_v.values())).all()
        found = "solved"
    except (DesignError, ConvergenceError) as error:
        found = "refused" if isinstance(error, DesignError) else "not found"
        for line in str(error).split("\n"):
            assert any(word in line for word in ("fuzz.toml: ", "block", "source", "load")), line
    assert time.perf_counter() - start < LONGEST_S
    return found


@settings(FUZZ, max_examples=60)
@given(designs())
def test_random_wirings(text: str) -> None:
    assert outcome(text) in ("solved", "refused", "not found")


@settings(FUZZ, max_examples=60)
@given(st.data())
def test_lines_with_changed_characters(data: st.DataObject) -> None:
    line = data.draw(
        st.sampled_from(
            [
                "resistor 4k7: source to output; first",
                "transistor 2N3904: collector to a, base to source, emitter to ground",
                "switch up: common to a and b, up to c and d, down to nothing and e",
                "diodes {forward = '1N4148', reverse = 'none'}: source to output",
            ]
        )
    )
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(line)))
        new = data.draw(st.sampled_from([":", ";", " to ", ",", "{", "'", " ", "\\", "none"])
                        | st.text(characters, max_size=3))  # fmt: skip
        line = line[:at] + new + line[at + data.draw(st.integers(0, 4)) :]
    with pytest.raises(DesignError, match=r"^fuzz\.toml: "):
        parse_design(
            'name = "x"\n[[stage]]\nname = "block"\ntype = "wired"\n[stage.parts]\n'
            f"x = {toml_string(line)}\nlone = 'resistor 1k: lonely to source'\n",
            "fuzz.toml",
        )
