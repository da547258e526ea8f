"""Noise of a square-law channel."""


def channel_noise_siemens(factor_a_v2: float, source_v: float, drain_v: float) -> float:
    """Conductance whose thermal noise a square-law channel has.

    Parameters
    ----------
    factor_a_v2 : of the law I = factor (source_v^2 - drain_v^2)
    source_v, drain_v : volts by which the gate opens the channel at its two ends, >= 0

    Notes
    -----
    Two thirds of the transconductance in saturation, the conductance itself at no drain voltage.

    References
    ----------
    A. van der Ziel, Proceedings of the IRE 50(8), 1962 (from memory, not located).
    """
    both = source_v + drain_v
    if both == 0.0:
        return 0.0
    squares = source_v**2 + source_v * drain_v + drain_v**2
    return 4.0 / 3.0 * factor_a_v2 * squares / both
