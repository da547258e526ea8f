"""What tracks and values are called: in full, and short enough for a plot."""

from collections.abc import Sequence

from vadist.audition.candidates import Candidate
from vadist.designs.design import Design
from vadist.designs.values import typed_value

LONGEST_LABEL = 30
"""Letters of a label of a plot; a longer one loses its middle."""

Changes = tuple[tuple[str, str], ...]


def value_text(design: Design, path: str) -> str:
    """Write a value of a design as a person would type it.

    Examples
    --------
    >>> from vadist import load_design
    >>> design = load_design("boosted_hard_clipper")
    >>> value_text(design, "boost.emitter_resistor"), value_text(design, "tone")
    ('180R', '0.5')
    """
    return typed_value(design.field_info(path), design.value(path))


def held_values(design: Design, candidates: Sequence[Candidate]) -> Changes:
    """What the reference holds wherever a candidate differs, each path once, in order."""
    paths = dict.fromkeys(path for each in candidates for path, _ in each.changes)
    return tuple((path, value_text(design, path)) for path in paths)


def changes_text(changes: Changes) -> str:
    """Write values in a row.

    >>> changes_text((("tone", "0.2"), ("clipper.diodes", "1N34A")))
    'tone=0.2, clipper.diodes=1N34A'
    """
    return ", ".join(f"{path}={text}" for path, text in changes)


def short_labels(names: Sequence[str], changes: Sequence[Changes]) -> tuple[str, list[str]]:
    """Shorten the names of candidates for a plot, leaving no two alike.

    Parameters
    ----------
    names : sequence of str
    changes : sequence of Changes
        Of each candidate; empty for one that is another design.

    Returns
    -------
    title : str
        What all labels have in common: the path, if all change only that one; else empty.
    labels : list of str

    Examples
    --------
    >>> short_labels(["a.c=1n", "a.c=2n"], [(("a.c", "1n"),), (("a.c", "2n"),)])
    ('a.c', ['1n', '2n'])
    >>> short_labels(["a.c=1n", "b.d=red LED"], [(("a.c", "1n"),), (("b.d", "red LED"),)])
    ('', ['c=1n', 'd=red LED'])
    """
    paths = {tuple(path for path, _ in each) for each in changes}
    if len(paths) == 1 and len(only := next(iter(paths))) == 1:
        return only[0], _apart([each[0][1] for each in changes])
    tried = {path for each in paths for path in each}
    parts = [path.rpartition(".")[2] for path in tried]

    def short(path: str) -> str:
        part = path.rpartition(".")[2]
        return part if parts.count(part) == 1 else path

    texts = [
        changes_text(tuple((short(path), text) for path, text in each)) or name
        for name, each in zip(names, changes, strict=True)
    ]
    return "", _apart(texts)


def _apart(texts: Sequence[str]) -> list[str]:
    """Cut long texts in their middle; number those that then look alike."""
    cut = [_cut(text) for text in texts]
    return [
        text if cut.count(text) == 1 else f"{number}: {text}"
        for number, text in enumerate(cut, start=1)
    ]


def _cut(text: str) -> str:
    if len(text) <= LONGEST_LABEL:
        return text
    tail = LONGEST_LABEL // 2
    return f"{text[: LONGEST_LABEL - tail - 1]}…{text[-tail:]}"
