"""Words by which a stage says where its parts stand in its drawing.

A stage's ``drawing`` lists its parts in the order of its ``wire``; what is joined to what, ``wire``
alone tells. Several parts of one word follow each other.
"""

from dataclasses import dataclass

ALONG, HANG, OVER, UNDER, BESIDE = "along", "hang", "over", "under", "beside"


@dataclass(frozen=True)
class Place:
    """Where parts stand.

    Attributes
    ----------
    way : str
    parts : tuple of str
        Names as ``wire`` gives them; what is left out of a stage is left out here too.
    """

    way: str
    parts: tuple[str, ...]


def along(*parts: str) -> Place:
    """Put parts on the way of the signal, from left to right."""
    return Place(ALONG, parts)


def hang(*parts: str) -> Place:
    """Hang parts, one under the other, from their node to a rail; up if that is the supply."""
    return Place(HANG, parts)


def over(*parts: str) -> Place:
    """Put parts in an arc over the way of the signal."""
    return Place(OVER, parts)


def under(*parts: str) -> Place:
    """Put parts in an arc under the way of the signal."""
    return Place(UNDER, parts)


def beside(*parts: str) -> Place:
    """Put parts on a second way below the first, between nodes of that."""
    return Place(BESIDE, parts)
