"""Figures of many designs: boards of one structure side by side where that can be."""

from collections.abc import Callable, Sequence

import numpy as np

from vadist.analysis.chain_response import decibels
from vadist.arrays import ComplexArray, FloatArray
from vadist.circuits.network import INPUT
from vadist.designs.design import Design
from vadist.errors import DesignError
from vadist.gpu.cards import count_cards
from vadist.population.alone import ALONE, figures_of_board
from vadist.population.corners import find_corners
from vadist.population.figure_names import CORNERS, Figure
from vadist.population.responses import modal_responses, solved_responses
from vadist.population.sines import SINES, sine_figures
from vadist.population.solved import SolvedStack, solve_stack
from vadist.population.sound import Hearing, sound_figures
from vadist.population.stacks import alike
from vadist.population.table import Table

CPU, GPU = "cpu", "gpu"
"""What boards are heard on."""


def measure(
    designs: Sequence[Design],
    figures: Sequence[Figure],
    hearing: Hearing | None = None,
    device: str = CPU,
) -> Table:
    """Measure designs, here and now, in one thread.

    Parameters
    ----------
    designs : sequence of Design
        In any number; boards that differ in values alone are solved side by side.
    figures : sequence of Figure
    hearing : Hearing, optional
        The take, and the reference it is held against: what figures of sound need.
    device : str
        What hears: :data:`CPU`, or :data:`GPU`, every graphics card there is.

    Returns
    -------
    Table
        A row a design, in order. A row does not depend on the others.

    Examples
    --------
    >>> from vadist import load_design
    >>> from vadist.population.figure_names import parse_figure
    >>> design = load_design("treble_boost")
    >>> boards = [design, design.with_value("boost.collector_resistor", "10k")]
    >>> measure(boards, [parse_figure("boost rest", design)]).values.round(1).tolist()
    [[4.5], [4.2]]
    """
    designs = list(designs)
    values = np.full((len(designs), len(figures)), np.nan)
    groups, faults = alike(designs)
    for group in groups:
        rows = [board for board, _ in group]
        try:
            solved = solve_stack([designs[b] for b in rows], [network for _, network in group])
        except DesignError as error:  # a fault of the structure, which all have
            faults |= dict.fromkeys(rows, str(error))
            continue
        faults |= {rows[k]: text for k, text in solved.faults.items()}
        if len(solved.faults) < len(rows):
            values[rows] = figures_of(solved, figures, faults, rows)
    heard = [k for k, figure in enumerate(figures) if figure.is_sound]
    if heard and hearing is not None:
        sound = [b for b in range(len(designs)) if b not in faults]
        hears: Callable[..., tuple[FloatArray, dict[int, str]]] = sound_figures
        if device == GPU:
            count_cards()
            from vadist.population.on_cards import card_figures as hears
        found, mute = hears([designs[b] for b in sound], hearing, [figures[k] for k in heard])
        values[np.ix_(sound, heard)] = found
        faults |= {sound[k]: text for k, text in mute.items()}
    values[sorted(faults)] = np.nan
    return Table(tuple(figures), values, dict(sorted(faults.items())), np.arange(len(designs)))


def figures_of(
    solved: SolvedStack, figures: Sequence[Figure], faults: dict[int, str], rows: Sequence[int]
) -> FloatArray:
    """Figures of boards at rest, (boards, figures); what fails is told in ``faults``, by row."""
    values = np.full((len(solved), len(figures)), np.nan)
    places = {kind: [k for k, f in enumerate(figures) if f.kind == kind] for kind in _KINDS}
    for kind, columns in places.items():
        for k in columns:
            values[:, k] = _KINDS[kind](solved, figures[k])
    for whole in (True, False):
        wanted = [k for k, f in enumerate(figures) if f.kind == "gain" and (not f.place) == whole]
        if wanted:
            values[:, wanted] = _gains(solved, [figures[k] for k in wanted], whole=whole)
    for place in {f.place for f in figures if f.kind in CORNERS}:
        wanted = [k for k, f in enumerate(figures) if f.kind in CORNERS and f.place == place]
        values[:, wanted] = _corners(solved, [figures[k] for k in wanted])
    sound = [board for board in range(len(solved)) if board not in solved.faults]
    alone = [k for k, f in enumerate(figures) if f.kind in ALONE]
    driven = [k for k, f in enumerate(figures) if f.kind in SINES]
    if not alone and not driven:
        return values
    boards = [solved.board(board) for board in sound]
    if alone:
        values[np.ix_(sound, alone)] = [
            figures_of_board(board, [figures[k] for k in alone]) for board in boards
        ]
    if driven:
        found, failed = sine_figures(boards, [figures[k] for k in driven])
        values[np.ix_(sound, driven)] = found
        faults |= {rows[sound[k]]: text for k, text in failed.items()}
    return values


def _rest(solved: SolvedStack, figure: Figure) -> FloatArray:
    node = solved.networks[0].outputs.get(figure.place, figure.place)
    return solved.node_v.get(node, np.full(len(solved), np.nan))


_KINDS: dict[str, Callable[[SolvedStack, Figure], FloatArray]] = {"rest": _rest}


def _ratio(solved: SolvedStack, figure: Figure) -> tuple[str, str]:
    """Output over input of a block, or of the whole."""
    outputs = solved.networks[0].outputs
    stages = tuple(outputs)
    if not figure.place:
        return outputs[stages[-1]], INPUT
    k = stages.index(figure.place)
    return outputs[figure.place], outputs[stages[k - 1]] if k else INPUT


def _pinned(solved: SolvedStack, *, whole: bool) -> tuple[str, ...]:
    """Rails held while a block is looked at: what they bring to it is not of its input."""
    return () if whole else solved.networks[0].moving_rails


def _gains(solved: SolvedStack, figures: Sequence[Figure], *, whole: bool) -> FloatArray:
    ratios = [_ratio(solved, figure) for figure in figures]
    nodes = list({node for ratio in ratios for node in ratio})
    frequencies = sorted({figure.at for figure in figures})
    found = solved_responses(solved, nodes, _pinned(solved, whole=whole))(
        np.tile(frequencies, (len(solved), 1))
    )

    def level(figure: Figure, ratio: tuple[str, str]) -> FloatArray:
        above, below = (found[node][:, frequencies.index(figure.at)] for node in ratio)
        silent: ComplexArray = np.zeros_like(above)
        return decibels(np.divide(above, below, out=silent, where=below != 0))

    return np.stack([level(f, r) for f, r in zip(figures, ratios, strict=True)], axis=1)


def _corners(solved: SolvedStack, figures: Sequence[Figure]) -> FloatArray:
    """Corners of one place, from the node that feeds it: whatever lies before cancels out."""
    output, before = _ratio(solved, figures[0])
    responses = modal_responses(
        solved, [output], _pinned(solved, whole=not figures[0].place), before
    )
    return find_corners(responses, len(solved), [(output, figure.kind) for figure in figures])
