"""How many steps a section takes within a sample of the oversampled rate."""

from vadist.circuits.sections import Section


def usual_pace(section: Section) -> int:
    """Steps in a sample, a power of two: as many as the sharpest of its devices asks for.

    What is linear is exact at any pace.
    """
    return max((d.record.pace for d in section.devices), default=1)
