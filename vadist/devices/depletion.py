"""Capacitance of a junction."""

_FORWARD = 0.5
# Beyond this part of the potential the capacitance goes on as a straight line.


def depletion_capacitance(
    zero_bias_f: float, forward_v: float, potential_v: float, grading: float
) -> float:
    """Capacitance of a junction at some volts, positive where it conducts.

    Notes
    -----
    C0/(1 - V/Vj)^m below half the potential Vj, its tangent above.

    References
    ----------
    A. Vladimirescu, The SPICE Book, 1994, with FC = 0.5 (from memory, not located).

    Examples
    --------
    >>> round(depletion_capacitance(4e-12, -2.25, 0.75, 0.5) * 1e12, 6)
    2.0
    """
    ratio = forward_v / potential_v
    if ratio <= _FORWARD:
        return float(zero_bias_f * (1.0 - ratio) ** -grading)
    at_edge = zero_bias_f * (1.0 - _FORWARD) ** (-1.0 - grading)
    return float(at_edge * (1.0 - _FORWARD * (1.0 + grading) + grading * ratio))
