"""Small-signal response of a whole design, section after section, continuous and discretised."""

import numpy as np

from vadist.analysis.operating_point import solve_all
from vadist.analysis.small_signal import section_response
from vadist.design import Design
from vadist.discretize import discrete_response
from vadist.engine import build_circuit


def continuous_response(design: Design, frequencies_hz, node: str = "") -> np.ndarray:
    """Response from the input to a node (the design's output by default), complex."""
    f = np.atleast_1d(np.asarray(frequencies_hz, dtype=float))
    known = {"input": np.ones(len(f), dtype=complex)}
    for section, point in solve_all(design.network()):
        feeds = np.stack([known[s] for s in section.signals], axis=-1)
        for name in section.unknowns:
            known[name] = (section_response(section, point, name, f) * feeds).sum(axis=-1)
    return known[node or design.output]


def discretised_response(design: Design, sample_rate_hz: float, frequencies_hz) -> np.ndarray:
    """Response of the difference equations from the input to the output, complex."""
    f = np.atleast_1d(np.asarray(frequencies_hz, dtype=float))
    circuit = build_circuit(design, sample_rate_hz)
    outputs: list[np.ndarray] = []
    for section, taps in zip(circuit.sections, circuit.inputs, strict=True):
        feeds = [
            np.ones(len(f)) if tap is None else outputs[tap.section][:, tap.row] for tap in taps
        ]
        response = discrete_response(section, f)
        outputs.append(np.einsum("foi,if->fo", response, np.array(feeds)))
    return outputs[circuit.output.section][:, circuit.output.row]


def decibels(ratio) -> np.ndarray:
    """20 log10 |ratio|."""
    return 20.0 * np.log10(np.abs(ratio))
