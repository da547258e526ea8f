"""Signals that are smooth functions of time, so that an integrator and a sampler see the same one.

The fade-in has three continuous derivatives: what it adds above half of 48 kHz is far below the
rounding of the comparison.
"""

import math

import numpy as np
from scipy.special import erfc

# Partials of a low note, Hz and volts; the phases are arbitrary.
_FREQUENCIES_HZ = np.array([146.8, 293.8, 441.0, 588.5, 882.0, 1470.0, 2937.0])
_LEVELS_V = np.array([0.12, 0.08, 0.05, 0.03, 0.02, 0.01, 0.004])
_FADE_S = 6e-3
_DECAY_S = 0.1


def fade(t):
    """From nothing to one in 6 ms, with three continuous derivatives."""
    x = np.where(np.real(t) < _FADE_S, t / _FADE_S, 1.0)
    return x**4 * (35.0 - 84.0 * x + 70.0 * x**2 - 20.0 * x**3)


def guitar_like(t):
    """A plucked note of seven partials, volts; real or complex time."""
    t = np.asarray(t)
    phases = np.arange(len(_LEVELS_V))
    notes = np.sin(2.0 * np.pi * t[..., None] * _FREQUENCIES_HZ + phases) @ _LEVELS_V
    return notes * fade(t) * np.exp(-t / _DECAY_S)


def guitar_like_slope(t):
    """Its time derivative, by a complex step (exact to rounding)."""
    return np.imag(guitar_like(np.asarray(t) + 1e-30j)) / 1e-30


EDGE_S = 37e-6
"""Of an edge: its spectrum, that of a step times exp(-(2 pi f EDGE_S)^2/2), is a tenth of that at
9 kHz and 1e-7 of it at 24 kHz."""


def edge(t):
    """From nothing to one, steepest at ``t = 0``: a step within the audio band."""
    return 0.5 * erfc(-np.asarray(t) / (math.sqrt(2.0) * EDGE_S))


def energy_ratio_db(error, signal) -> float:
    """Error-to-signal ratio in dB; the signal's mean does not count."""
    centred = np.asarray(signal) - np.mean(signal)
    return float(10.0 * np.log10(np.sum(np.square(error)) / np.sum(np.square(centred))))
