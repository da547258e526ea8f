"""A graphics card, where there is one, says what the processor says.

Authority: the processor's own renders of the same boards, in single precision as well.
"""

import numpy as np
import pytest

from vadist.designs.files import load_design
from vadist.gpu.hearing import hear
from vadist.population.figure_names import parse_figure
from vadist.population.sound import hearing_of, rendered
from vadist.population.tabled import made_ready
from vadist.population.work import measure_population
from vadist.questions.sampling import boards_at, points
from vadist.questions.tolerances import variations
from vadist.rendering.arrays import render_candidates

pytestmark = pytest.mark.gpu

RATE_HZ, BOARDS = 48_000.0, 48
AGREED_DB = -120.0


@pytest.fixture(scope="module")
def design():
    return load_design("boosted_hard_clipper")


@pytest.fixture(scope="module")
def drawn(design):
    varied = variations(design)
    return boards_at(design, varied, points(varied, BOARDS, "normal", 0))


@pytest.fixture(scope="module")
def heard(design):
    time = np.arange(24_000) / RATE_HZ
    pluck = np.exp(-4.0 * time) * np.sin(2.0 * np.pi * 110.0 * time)
    return hearing_of(design, 0.3 * np.minimum(time / 0.005, 1.0) * pluck, RATE_HZ)


def test_every_board_is_within_120_db(drawn, heard):
    ready = made_ready(drawn, 8 * RATE_HZ)
    ((numbers, lanes),) = ready.groups
    found = hear(
        lanes, np.zeros(BOARDS, dtype=int), heard.volts, RATE_HZ, heard.reference, bands=False,
        tracks=True,
    )  # fmt: skip
    assert not found.stuck.any()
    assert found.tracks is not None
    exact = rendered([drawn[int(k)] for k in numbers], heard.volts, RATE_HZ, None)
    for track, wanted in zip(found.tracks.T, exact, strict=True):
        error = np.sum((track - wanted[:, 0]) ** 2) / np.sum(wanted**2)
        assert 10.0 * np.log10(error) < AGREED_DB


def test_figures_of_sound_are_those_of_the_processor(design, drawn, heard):
    texts = ("rest", "loudness", "null depth", "band change", "band at 1kHz")
    figures = [parse_figure(text, design) for text in texts]
    cpu = measure_population(drawn, figures, hearing=heard)
    gpu = measure_population(drawn, figures, hearing=heard, device="gpu")
    np.testing.assert_allclose(gpu.values, cpu.values, rtol=1e-4, atol=1e-3)


def test_candidates_of_two_channels_are_those_of_the_processor(design, heard):
    designs = [design, design.with_value("clipper.shunt_capacitor", "47n")]
    samples = np.concatenate([heard.volts, 0.5 * heard.volts], axis=1)[:12_000]
    cpu, gpu = (
        render_candidates(designs, samples, RATE_HZ, taps=["boost"], device=device)
        for device in ("cpu", "gpu")
    )
    for wanted, found in zip(cpu, gpu, strict=True):
        error = np.sum((found.volts - wanted.volts) ** 2) / np.sum(wanted.volts**2)
        assert 10.0 * np.log10(error) < AGREED_DB
        assert found.diagnostics.error_db == pytest.approx(wanted.diagnostics.error_db, abs=0.1)
