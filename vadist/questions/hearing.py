"""Boards heard: which two sound most unlike, which is in the middle, and a page with them."""

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from vadist.arrays import FloatArray
from vadist.audition.candidates import Candidate
from vadist.audition.files import PAGE, write_audition
from vadist.audition.run import audition_design
from vadist.measure.bands import NOMINAL_STEPS
from vadist.population.figure_names import Figure
from vadist.questions.sampling import boards_at

if TYPE_CHECKING:
    from vadist.questions.spread import Spread

SOUND_FIGURES = ("loudness", "null depth", "band change")
"""What is told of boards that are heard."""

_LOWEST_HZ, _HIGHEST_HZ = 50.0, 12.5e3
# Bands that are held against each other: a guitar's notes and what its speaker still gives.


def band_figures(sample_rate_hz: float) -> list[Figure]:
    """Third octaves that boards are told apart by.

    >>> len(band_figures(48000.0)), str(band_figures(48000.0)[0])
    (25, 'band at 50Hz')
    """
    decades = (10.0, 100.0, 1e3, 1e4)
    nominal = [round(step * decade, 6) for decade in decades for step in NOMINAL_STEPS]
    top = min(_HIGHEST_HZ, sample_rate_hz / 2.5)
    return [Figure("", "band", hertz) for hertz in nominal if _LOWEST_HZ <= hertz <= top]


def unlikeness(bands_db: FloatArray) -> FloatArray:
    """How unlike boards sound: band differences weighted by the energy that is there.

    Parameters
    ----------
    bands_db : (boards, bands)

    Returns
    -------
    (boards, boards) dB
        As :func:`vadist.measure.band_change_db`, levels matched first.
    """
    power = 10.0 ** (bands_db / 10.0)
    shares = power / power.sum(axis=1, keepdims=True)
    level = 10.0 * np.log10(np.maximum(shares, 1e-30))
    found = np.zeros((len(shares), len(shares)))
    for board in range(len(shares)):
        weight = 0.5 * (shares[board] + shares)
        change = level[board] - level
        found[board] = np.sqrt((weight * change**2).sum(axis=1) / weight.sum(axis=1))
    return found


def unlike_boards(bands_db: FloatArray) -> tuple[int, int, int]:
    """The two boards that sound most unlike, and the one least unlike all others.

    Parameters
    ----------
    bands_db : (boards, bands)
        Rows with NaN are left out.
    """
    heard = np.flatnonzero(np.isfinite(bands_db).all(axis=1))
    found = unlikeness(bands_db[heard])
    a, b = np.unravel_index(int(found.argmax()), found.shape)
    median = int(found.sum(axis=1).argmin())
    return int(heard[a]), int(heard[b]), int(heard[median])


def write_unlike(
    found: "Spread", folder: Path, *, take: str, original: str, overwrite: bool
) -> list[str]:
    """Write an audition of the design, the two most unlike boards and the median.

    Parameters
    ----------
    found : Spread
        Of boards that were heard.
    folder : Path
    take : str
        Name of the take.
    original : str
        Text of the design file.
    overwrite : bool

    Returns
    -------
    list of str
        Lines that tell what was written.
    """
    hearing = found.asked.hearing
    heard = np.isfinite(found.bands_db).all(axis=1)
    if hearing is None or heard.sum() < 2:
        return ["fewer than two boards were heard, so there is no page"]
    rows = dict(zip(("unlike", "most unlike it", "median"), unlike_boards(found.bands_db),
                    strict=True))  # fmt: skip
    roles: dict[int, str] = {}
    for role, row in rows.items():  # of few boards, one may be two of these
        roles[row] = f"{roles[row]}, {role}" if row in roles else role
    candidates = [
        Candidate(
            f"board {int(found.table.boards[row]) + 1} ({role})",
            boards_at(found.design, found.varied, found.points[row : row + 1])[0],
        )
        for row, role in roles.items()
    ]
    result = audition_design(
        found.design, candidates, hearing.volts, hearing.sample_rate_hz,
        oversample=hearing.oversample, threads=found.asked.threads,
    )  # fmt: skip
    write_audition(
        result, folder, take=take, originals=[original] * (1 + len(candidates)),
        overwrite=overwrite,
    )  # fmt: skip
    names = ", ".join(candidate.name for candidate in candidates)
    return [f"{names}: written to {folder}; open {folder / PAGE}"]
