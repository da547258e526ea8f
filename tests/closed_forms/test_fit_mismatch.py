"""Boards that hold something their design does not: told, placed, and allowed for.

Authorities: a first-order high-pass driven by a sine and what is added to it (elementary network
theory); two high-passes in a row by scipy's lsim; white noise and rounding, step^2/12; the
diode-resistor clipper by bisection of Kirchhoff's law.
"""

import json
import math

import numpy as np
import pytest
from scipy.signal import TransferFunction, lsim
from test_fit import BIAS_V, RATE_HZ, SERIES_OHM, clipper, high_passed_sine, ramp, record

import vadist.fitting.problem
from vadist.captures.capture import Capture
from vadist.captures.check import CheckSettings
from vadist.designs.design import Design
from vadist.fitting.fit import fit_design
from vadist.fitting.report import as_json, text_report
from vadist.stages import CouplingHighPass

OHM = 10e3
FARAD = 1.0 / (2 * math.pi * 100.0 * OHM)
T = np.arange(round(0.1 * RATE_HZ)) / RATE_HZ
LATE = np.maximum(T - 5e-3, 0.0)
DRIVE = 0.2 * np.sin(2 * np.pi * 120.0 * LATE)
OUTPUT = 0.2 * high_passed_sine(LATE, 100.0, 120.0) * (T > 5e-3)


def fitted(output, seed, *, bits=10, farad=1.1 * FARAD, drive=DRIVE):
    """Fit the capacitor of a high-pass to an output; the stimulus is at hand."""
    capture = record(drive, output, np.random.default_rng(seed), bits)
    known = Capture("stimulus", RATE_HZ, ("stimulus",), drive[:, None])
    stage = CouplingHighPass(capacitor=farad, bias_resistor=OHM, returns_to="ground")
    design = Design("high-pass", {"input": stage}, load_ohm=1e12)
    return fit_design(capture, design, ["input.capacitor"], known)


@pytest.mark.parametrize("seed", range(2))
def test_a_right_board_leaves_noise(seed):
    """What is left is the noise put in: half a step, rounding, the band's share of both."""
    report = fitted(OUTPUT, seed)
    step = np.ptp(OUTPUT) / (0.8 * 2**10)
    noise = step**2 * (0.25 + 1 / 12) * (0.5 * 2.15 * 20e3) / (0.5 * RATE_HZ)
    wanted = 10 * math.log10(noise / float(np.var(OUTPUT)))
    assert report.residue.noise_db == pytest.approx(wanted, abs=1.0)
    assert report.residue.residual_db == pytest.approx(wanted, abs=0.5)
    assert not report.residue.mismatch
    assert "MISMATCH" not in text_report(report)
    (estimate,) = report.estimates
    assert (estimate.low, estimate.high) == (estimate.noise_low, estimate.noise_high)
    assert estimate.low < FARAD < estimate.high


def test_where_a_mismatch_lives():
    """3.3 kHz that only the upper half-wave has: told by octave, level and half-wave."""
    tone = 8e-4 * np.sin(2 * np.pi * 3300.0 * LATE) * (OUTPUT > 0.02)
    report = fitted(OUTPUT + tone, 1)
    residue = report.residue
    assert residue.mismatch
    worst = {kind: residue.worst(kind) for kind in ("band", "level", "half-wave")}
    assert worst["band"].name == "2.50 kHz to 5.00 kHz"
    assert worst["level"].name == "0 to 6 dB below its peak"
    assert worst["half-wave"].name == "upper"
    assert all(cell.share > 0.8 for cell in worst.values())
    added = float(np.sum(tone**2) / np.sum(OUTPUT**2))
    assert 10 ** (worst["band"].residual_db / 10) == pytest.approx(added, rel=0.15)
    text = text_report(report)
    assert "MISMATCH" in text
    assert "at 2.50 kHz to 5.00 kHz" in text
    assert "in the half-wave: upper" in text
    assert max(map(len, text.splitlines())) <= 80
    told = as_json(report)
    json.dumps(told, allow_nan=False)
    assert told["residual"]["mismatch"]
    assert {cell["kind"] for cell in told["residual"]["where"]} == {"band", "level", "half-wave"}


def test_a_hidden_corner_widens_the_interval():
    """A second high-pass at 5 Hz: by noise alone the capacitor is wrongly blamed."""
    sweep = 0.2 * np.sin(2 * np.pi * (60.0 * LATE + 4000.0 * LATE**2))
    first, second = 2 * np.pi * 100.0, 2 * np.pi * 5.0
    both = TransferFunction([1.0, 0.0, 0.0], [1.0, first + second, first * second])
    report = fitted(lsim(both, sweep, T)[1], 3, farad=FARAD, drive=sweep)
    (estimate,) = report.estimates
    assert not estimate.noise_low < FARAD < estimate.noise_high
    assert report.residue.mismatch
    assert report.residue.excess_db > 3.0
    assert estimate.low < FARAD < estimate.high
    assert not estimate.withheld
    # The rule: as much may hide along the value as shows, and rivals beyond that.
    reach = math.sqrt(report.residue.unexplained) / np.linalg.norm(report.jacobian)
    assert math.log(estimate.high / estimate.noise_high) >= reach * (1 - 1e-9)
    assert math.log(estimate.noise_low / estimate.low) >= reach * (1 - 1e-9)
    assert "need not cover" in " ".join(text_report(report).split())


def test_nothing_is_stated_where_everything_is_wrong():
    """A square of the input in place of the high-pass: the interval is withheld."""
    report = fitted(8.0 * DRIVE**2, 4)
    (estimate,) = report.estimates
    assert estimate.withheld
    assert "withheld" in text_report(report)
    told = as_json(report)["values"][0]
    assert (told["low"], told["high"]) == (None, None)
    assert told["low_if_the_design_is_right"] is not None


def test_what_would_explain_it_besides():
    """Saturation current freed alone while the emission coefficient is 10 % off too."""
    drive, saturation, slope = ramp(0.05), 4e-9, 48e-3
    low, high = np.zeros(len(drive)), np.abs(drive)
    for _ in range(60):
        v = 0.5 * (low + high)
        above = v + SERIES_OHM * 2.0 * saturation * np.sinh(v / slope) > np.abs(drive)
        low, high = np.where(above, low, v), np.where(above, v, high)
    output = np.sign(drive) * v + BIAS_V
    capture = record(drive, output, np.random.default_rng(5), 10)
    known = Capture("stimulus", RATE_HZ, ("stimulus",), drive[:, None])
    report = fit_design(
        capture, clipper(saturation / 2.0, slope / 1.1), ["clipper.diodes.saturation_current"],
        known, settings=CheckSettings(freedom={"gain": 0.0}),
    )  # fmt: skip
    assert report.residue.mismatch
    besides = {r.free.path: r for r in report.rivals if r.kind == "besides"}
    found = besides["clipper.diodes.emission_coefficient"]
    assert (found.verdict, found.residue.mismatch) == ("better", False)
    assert found.value / found.free.start == pytest.approx(1.1, rel=0.01)
    assert found.values["clipper.diodes.saturation_current"] == pytest.approx(saturation, rel=0.05)
    (estimate,) = report.estimates
    assert not estimate.noise_low < saturation < estimate.noise_high
    assert estimate.low < saturation < estimate.high
    assert "all of it: clipper.diodes.emission_coefficient" in text_report(report)


def test_all_cores_by_default(monkeypatch):
    """A fit renders with as many threads as the machine has cores, as everything else does."""
    seen = []
    monkeypatch.setattr("os.cpu_count", lambda: 5)
    monkeypatch.setattr(
        vadist.fitting.problem, "answers",
        lambda *a, threads, **k: seen.append(threads) or (_ for _ in ()).throw(KeyboardInterrupt),
    )  # fmt: skip
    with pytest.raises(KeyboardInterrupt):
        fitted(OUTPUT, 0)
    assert seen == [5]
