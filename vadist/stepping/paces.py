"""How many steps each section takes within a sample of the oversampled rate."""

from vadist.circuits.operating_point import SolvedNetwork


def usual_paces(solved: SolvedNetwork) -> list[int]:
    """Steps of each section in a sample, powers of two.

    A section is stepped as often as the sharpest of its devices asks for; what is linear is exact
    at any pace.
    """
    return [
        max((d.record.pace for d in section.devices), default=1) for section, _ in solved.sections
    ]
