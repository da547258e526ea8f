"""Values chosen again round a substitute, so that rest and gain of its block come back."""

from collections.abc import Sequence

from vadist.designs.design import Design
from vadist.population.figure_names import Figure
from vadist.population.table import Table
from vadist.questions.choose import Changes, scores
from vadist.questions.choose_search import search
from vadist.questions.choose_values import changes_of, read_lists, with_place
from vadist.questions.measured_places import MeasuredPlaces
from vadist.questions.usual_figures import GAIN_HZ
from vadist.questions.wishes import SLACK, SLACK_DB, Wish

_MOST = 1000  # combinations of which all are measured
_SEEDS = 1  # beyond: one search for each of many parts


def retuned(
    design: Design,
    stage: str,
    before: Table,
    parts: Sequence[str],
    series: str | None,
    threads: int | None = None,
) -> tuple[Design, Changes]:
    """Choose values of parts again.

    Parameters
    ----------
    design : Design
        With the substitute.
    stage : str
        Its block.
    before : Table
        One row: figures of the design before, the block's rest and gain among them.
    parts : sequence of str
        What may change.
    series : str, optional
        Preferred numbers; by default those that such parts are sold in.

    Returns
    -------
    Design, tuple of (path, text)
        With the values nearest to rest and gain as they were, and those values.
    """
    rest, gain = Figure(stage, "rest"), Figure(stage, "gain", GAIN_HZ)
    rest_v = float(before.column(rest)[0])
    gain_db = float(before.column(gain)[0])
    wishes = [
        _target(rest, rest_v, SLACK * abs(rest_v) or SLACK),
        _target(gain, gain_db, SLACK_DB),
    ]
    lists = read_lists(design, parts, series)
    places = MeasuredPlaces(design, lists, [rest, gain], threads)
    sizes = [len(each.values) for each in lists]
    best = search(sizes, lambda some: scores(wishes, places(some)), _MOST, seeds=_SEEDS).best
    return with_place(design, lists, best), changes_of(lists, best)


def _target(figure: Figure, value: float, slack: float) -> Wish:
    return Wish(figure, value - slack, value + slack, value, slack)
