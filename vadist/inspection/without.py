"""What each block's absence would do: leave each out in turn, its input wired to its output."""

from dataclasses import dataclass

from vadist.analysis.chain_response import solve_design
from vadist.analysis.crossings import GAIN_HZ
from vadist.analysis.noise import find_noise
from vadist.designs.design import Design
from vadist.errors import VadistError
from vadist.inspection.controls import outer_corners, whole_db
from vadist.large_signal.headroom import Rung, first_limit
from vadist.large_signal.steady_sine import steady_sines


@dataclass(frozen=True)
class Measured:
    """The whole in a few figures.

    Attributes
    ----------
    gain_db : float
        At 1 kHz.
    bass_cut_hz, treble_cut_hz : float or None
    distortion : float
        THD_F at the output, as a ratio.
    noise_v : float
        rms at the output.
    first : Rung or None
        The block that limits first; None if none does.
    """

    gain_db: float
    bass_cut_hz: float | None
    treble_cut_hz: float | None
    distortion: float
    noise_v: float
    first: Rung | None


@dataclass(frozen=True)
class Absence:
    """The design without a block.

    Attributes
    ----------
    stage : str
        Left out; empty for the whole design as it is.
    measured : Measured or None
        None if it cannot be built so.
    problem : str
        Why not.
    """

    stage: str
    measured: Measured | None
    problem: str = ""


def absences(design: Design, frequency_hz: float, level_v: float) -> tuple[Absence, ...]:
    """The design as it is, then without each block that is there.

    Parameters
    ----------
    design : Design
    frequency_hz : float
    level_v : float
        Peak volts at the input that the distortion is told for.
    """
    rows = [Absence("", measure(design, frequency_hz, level_v))]
    for stage in design.stages:
        if stage in design.bypassed:
            continue
        try:
            left = measure(design.with_value(stage, "none"), frequency_hz, level_v)
        except VadistError as error:
            rows.append(Absence(stage, None, str(error).splitlines()[0]))
        else:
            rows.append(Absence(stage, left))
    return tuple(rows)


def measure(design: Design, frequency_hz: float, level_v: float) -> Measured:
    """The few figures of a design.

    Raises
    ------
    DesignError, ConvergenceError
        If it cannot be built or solved.
    """
    solved = solve_design(design)
    sines = steady_sines(solved, frequency_hz, [level_v])
    return Measured(
        float(whole_db(solved, (GAIN_HZ,))[0]),
        *outer_corners(solved),
        float(sines.distortion(tuple(design.stages)[-1])[0]),
        find_noise(solved).output_v,
        first_limit(solved, frequency_hz),
    )
