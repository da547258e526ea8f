"""A walk along a design, put together: what its page shows and plays."""

from collections.abc import Callable
from dataclasses import dataclass

from vadist.analysis.chain_response import solve_design
from vadist.arrays import FloatArray
from vadist.designs.design import Design
from vadist.drawing import designators, draw_block
from vadist.errors import VadistError
from vadist.inspection.controls import ControlPosition
from vadist.inspection.figures import FREQUENCY_HZ, Block, Inspection, inspect_design
from vadist.walks.gallery import Gallery, Picture
from vadist.walks.moments import Moment, hardest_moments
from vadist.walks.sentences import Teller, Told
from vadist.walks.sounds import NOTCHES, Sounds, check_take, hear

_INSPECTED, _HEARD = 0.4, 0.8
# Of the work, when the figures are there, and when the sounds are.


@dataclass(frozen=True)
class Take:
    """What is played.

    Attributes
    ----------
    name : str
        For people.
    samples : (frames, channels)
        The dry take, full scale +-1.
    sample_rate_hz, full_scale_v : float
    """

    name: str
    samples: FloatArray
    sample_rate_hz: float
    full_scale_v: float = 1.0


@dataclass(frozen=True)
class Stop:
    """A block on the walk.

    Attributes
    ----------
    block : Block
        As the inspection found it.
    job : str
    told : tuple of (about, sentences)
    drawing, undrawn : str
        Its piece of the schematic as SVG, or why there is none.
    moment : Moment or None
        Where in the take it works hardest.
    knobs : tuple of ControlPosition
        The whole at minimum, noon and maximum of every knob that is in this block.
    traces, pictures : tuple of Picture
        What a scope shows, and what else is drawn.
    """

    block: Block
    job: str
    told: tuple[Told, ...]
    drawing: str
    undrawn: str
    moment: Moment | None
    knobs: tuple[ControlPosition, ...]
    traces: tuple[Picture, ...]
    pictures: tuple[Picture, ...]


@dataclass(frozen=True)
class Walk:
    """All that the page of a walk tells.

    Attributes
    ----------
    design : Design
    found : Inspection
        With each block left out, too.
    teller : Teller
    stops : tuple of Stop
    ladder : Picture or None
        None if nothing limits.
    take : Take or None
    sounds : Sounds or None
        None without a take.
    """

    design: Design
    found: Inspection
    teller: Teller
    stops: tuple[Stop, ...]
    ladder: Picture | None
    take: Take | None
    sounds: Sounds | None


def build_walk(
    design: Design,
    take: Take | None = None,
    *,
    frequency_hz: float = FREQUENCY_HZ,
    level_v: float | None = None,
    oversample: int | None = None,
    threads: int | None = None,
    progress: Callable[[float], None] = lambda done: None,
) -> Walk:
    """Walk a design.

    Parameters
    ----------
    design : Design
    take : Take, optional
        What is played; without one there is only the sine, and nothing to hear.
    frequency_hz, level_v
        Of the sine, as :func:`~vadist.inspection.figures.inspect_design` takes them.
    oversample, threads
        Of the renders.
    progress : called with the fraction done

    Raises
    ------
    UsageError
        For a take that is silent or too long, or a sine that is none.
    ConvergenceError
        If the circuit equations could not be solved.

    Examples
    --------
    >>> from vadist import load_design
    >>> walk = build_walk(load_design("treble_boost"))
    >>> [stop.block.name for stop in walk.stops]
    ['boost', 'volume']
    """
    if take is not None:
        check_take(design, take.samples, take.sample_rate_hz)
    found = inspect_design(design, frequency_hz, level_v, without=True)
    progress(_INSPECTED)
    sounds: Sounds | None = None
    moments: dict[str, Moment] = {}
    if take is not None:
        sounds = hear(
            design, take.samples, take.sample_rate_hz, full_scale_v=take.full_scale_v,
            oversample=oversample, threads=threads,
            progress=lambda done: progress(_INSPECTED + (_HEARD - _INSPECTED) * done),
        )  # fmt: skip
        path = [track.volts for track in sounds.path]
        solved = solve_design(design)
        moments = hardest_moments(solved, found.ladder, path, take.sample_rate_hz)
    gallery = Gallery(found, moments, sounds)
    teller = Teller(found, designators(design))
    stops = []
    for number, block in enumerate(found.blocks):
        heard = None
        if sounds is not None:
            heard = moments[block.name], sounds.diagnostics.stages[block.name]
        stops.append(
            Stop(
                block, teller.job(block), tuple(teller.tell(block, heard)),
                *_drawn(design, block.name), moments.get(block.name), _knobs(found, block.name),
                tuple(gallery.traces(number)), tuple(gallery.pictures(number)),
            )
        )  # fmt: skip
        progress(_HEARD + (1.0 - _HEARD) * (number + 1) / len(found.blocks))
    return Walk(design, found, teller, tuple(stops), gallery.ladder(), take, sounds)


def _drawn(design: Design, stage: str) -> tuple[str, str]:
    """A block's schematic, or why there is none."""
    try:
        return draw_block(design, stage, volts=True), ""
    except VadistError as error:
        return "", str(error)


def _knobs(found: Inspection, stage: str) -> tuple[ControlPosition, ...]:
    """The whole at minimum, noon and maximum of the knobs that are in a block."""
    mine = {
        name
        for name, knob in found.design.controls.items()
        if any(move.removeprefix("-").partition(".")[0] == stage for move in knob.moves)
    }
    return tuple(row for row in found.controls if row.control in mine and row.position in NOTCHES)
