"""Polarity, gain, offset, clock and delay, judged as part of the board."""

import math

from vadist.captures.align import Alignment, Freedom
from vadist.captures.limits import Judgement


def judge_alignment(alignment: Alignment, freedom: Freedom, wanted_sign: int) -> list[Judgement]:
    """Hold what the alignment found against what it was allowed.

    Parameters
    ----------
    alignment : Alignment
    freedom : Freedom
        What is held at a single value is not judged: the error tells.
    wanted_sign : int
        +1 or -1; 0 for either.
    """
    found = []
    if wanted_sign:
        agrees = alignment.sign == wanted_sign
        found.append(Judgement("polarity", alignment.sign, wanted_sign, "", agrees))
    if freedom.gain > 0.0:
        off = 100.0 * (alignment.free_gain - 1.0)
        most = 100.0 * freedom.gain
        found.append(Judgement("gain", off, most, "%", abs(off) <= most))
    if freedom.offset_v < math.inf:
        most = freedom.offset_v + freedom.gain * abs(alignment.rest_v)
        off = alignment.free_offset_v
        found.append(Judgement("offset", off, most, "V", abs(off) <= most))
    if "clock" in alignment.at_bound:
        found.append(Judgement("clock", alignment.clock_ppm, freedom.clock_ppm, "ppm", False))
    if "delay" in alignment.at_bound:
        bound = min(freedom.delay_s, key=lambda each: abs(each - alignment.delay_s))
        if math.isfinite(bound):
            found.append(Judgement("delay", 1e3 * alignment.delay_s, 1e3 * bound, "ms", False))
    return found
