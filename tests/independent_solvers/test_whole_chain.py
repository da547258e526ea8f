"""Whole designs against SUNDIALS IDA on the undivided circuit.

Authority: IDA (variable-order BDF of a general-purpose library) on Kirchhoff's current law of all
nodes at once, with no sections, no oversampling and no Newton of the package's: see
``circuit_oracle``. Its output is decimated by the resampler the renderer uses.
"""

import numpy as np
import pytest
import soxr
from circuit_oracle import CircuitOracle, device_models
from signals import energy_ratio_db, guitar_like, guitar_like_slope

from vadist.circuits.operating_point import solve_all
from vadist.designs.files import load_design
from vadist.rendering.arrays import render

pytest.importorskip("sksundae", reason="scikit-sundae has no wheel for this machine")

FS, FACTOR, FRAMES, REACH = 48_000, 16, 2880, 256


@pytest.mark.parametrize("name", ["boosted_hard_clipper", "soft_clipper"])
def test_render_against_ida(name):
    """60 ms of a plucked note at 16x: error-to-signal ratio of -75 dB or better."""
    design = load_design(name)
    network = design.network()
    rest = {}
    for section, point in solve_all(network):
        rest.update(zip(section.unknowns, point.node_v, strict=True))
    fast = np.arange(FRAMES * FACTOR) / (FS * FACTOR)
    oracle = CircuitOracle(network, device_models(design))
    volts = oracle.solve(
        rest, fast, guitar_like, guitar_like_slope, design.output, rtol=1e-8, atol=1e-9
    )
    settled = rest[design.output]
    wanted = soxr.resample(volts - settled, FS * FACTOR, FS, "VHQ")[: FRAMES - REACH]
    result = render(design, guitar_like(np.arange(FRAMES) / FS), FS, oversample=FACTOR)
    found = result.volts[: FRAMES - REACH, 0] - settled
    error_db = energy_ratio_db(found - wanted, wanted)
    print(
        f"{design.name}: {error_db:.2f} dB against IDA at {FACTOR}x, "
        f"own estimate {result.diagnostics.error_db:.2f} dB, peak {np.abs(wanted).max():.3f} V"
    )
    assert error_db < -75.0
