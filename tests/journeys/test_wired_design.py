"""A design with a wiring list goes where every design goes, its parts by their addresses.

Authority: the design file itself; the lists are held against outside solvers elsewhere.
"""

import numpy as np
import pytest
import soundfile

from vadist.analysis.chain_response import solve_design
from vadist.analysis.corners import find_corners
from vadist.analysis.noise import find_noise
from vadist.audition.candidates import make_candidates
from vadist.cli import main
from vadist.designs.design import Design
from vadist.designs.files import load_design
from vadist.fitting.values import every_value, free_values

DESIGN = load_design("clean_blend")
STAGE = DESIGN.stages["mix"]


def test_corners_and_noise_name_its_parts() -> None:
    """Alone, its loud path has one treble corner, 1/(2 pi 3k3 10n) = 4.8 kHz, and hiss of 100k."""
    design = Design("mix", {"mix": STAGE}, input_at_bias=True).with_value(
        "mix.blend", {"resistance": 1e5, "wiper": 1.0}
    )
    solved = solve_design(design)
    (cut,) = [c for c in find_corners(solved).of("mix") if c.kind == "treble cut"]
    assert cut.frequency_hz == pytest.approx(4.8e3, rel=0.1)
    assert {part.part for part in cut.parts[:2]} == {"mix.series", "mix.soften"}
    loud = {share.part for share in find_noise(solved).parts}
    assert {"mix.leg", "mix.opamp", "mix.series"} <= loud


def test_values_can_be_freed_and_tried() -> None:
    (one, other) = free_values(DESIGN, ["mix.soften:20%", "mix.silicon.saturation_current"])
    assert (one.unit, other.unit) == ("F", "A")
    assert {"mix.leg", "mix.drive", "mix.opamp.gain_bandwidth"} <= {
        value.path for value in every_value(DESIGN)
    }
    names = [c.name for c in make_candidates(DESIGN, ["mix.voice=silicon,led", "mix.leg=1k,none"])]
    assert names == ["mix.voice=silicon", "mix.voice=led", "mix.leg=1k", "mix.leg=none"]


def test_a_sidecar_holds_the_list(tmp_path, capsys) -> None:
    """Rendered with a stage bypassed and a switch thrown; the sidecar is that design."""
    design, take = tmp_path / "mine.toml", tmp_path / "take.wav"
    design.write_text(
        'name = "mine"\n[[stage]]\nname = "pad"\ntype = "wired"\n[stage.parts]\n'
        'series = "resistor 10k: source to output"\n'
        '[[stage]]\nname = "mix"\ntype = "wired"\n[stage.parts]\n'
        'series = "resistor 2k2: source to output"\nclip = "diodes 1N4148: on to ground"\n'
        'clips = "switch no: common to output, no to nothing, yes to on"\n'
    )
    soundfile.write(take, np.sin(np.arange(480) / 10.0), 48_000)
    words = ["--set", "mix.clips=yes", "--set", "pad=none"]
    arguments = ["render", str(take), "--design", str(design), "--out", str(tmp_path), *words]
    assert main(arguments) == 0, capsys.readouterr().err
    (sidecar,) = tmp_path.glob("*.json")
    wanted = load_design(design).with_value("mix.clips", "yes").with_value("pad", "none")
    assert load_design(sidecar) == wanted
    volts, _ = soundfile.read(next(tmp_path.glob("take-*.wav")))
    assert 0.4 < np.abs(volts).max() < 0.8  # silicon: some 0.6 V (common practice)
