"""Pot tapers: how the wiper follows the knob.

Letter codes for tapers have changed meaning over the years, so they are spelt out here.
"""

from vadist.errors import DesignError
from vadist.names import find_by_name

# Fraction of the track below the wiper at half rotation. Audio pots are sold with 10 or 15 %;
# a reverse audio pot is the mirror image.
TAPERS = {
    "linear": 0.50,
    "audio 10%": 0.10,
    "audio 15%": 0.15,
    "reverse audio 10%": 0.90,
    "reverse audio 15%": 0.85,
}


def wiper_fraction(taper: str, position: float) -> float:
    """Fraction of the track's resistance below the wiper.

    Parameters
    ----------
    taper : str
        A key of :data:`TAPERS`.
    position : float
        Rotation, 0..1.

    Returns
    -------
    float
        0..1; exactly 0 and 1 at the ends.

    Raises
    ------
    DesignError
        If there is no such taper or the position lies outside its range.

    Notes
    -----
    Carbon pots come near the logarithm with two straight pieces of track that meet at half
    rotation; so does this.

    Examples
    --------
    >>> wiper_fraction("audio 10%", 0.5), wiper_fraction("linear", 0.25)
    (0.1, 0.25)
    """
    half = find_by_name("taper", taper, TAPERS)
    if not 0.0 <= position <= 1.0:
        raise DesignError(f"position must be within 0..1 (got {position:g})")
    if position <= 0.5:
        return half * (2.0 * position)
    return 1.0 - (1.0 - half) * (2.0 * (1.0 - position))
