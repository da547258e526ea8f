"""How many steps a section takes within a sample of the oversampled rate."""

from collections.abc import Container

from vadist.circuits.sections import Section


def usual_pace(section: Section, sharper: Container[tuple[str, ...]] = ()) -> int:
    """Steps in a sample, a power of two: as many as the sharpest of its devices asks for.

    What is linear is exact at any pace.

    Parameters
    ----------
    section : Section
    sharper : sections, by their stages, that are to take twice as many
    """
    pace = max((d.record.pace for d in section.devices), default=1)
    return 2 * pace if section.stages in sharper else pace
