"""Output noise of a design at rest, and the parts that make it.

Every source is white and independent, so their powers add:

=================  ===========================================  =================================
part               density                                      between
=================  ===========================================  =================================
resistor           4 k T / R  (Johnson 1928, Nyquist 1928)      its ends
op-amp             en, V/rtHz; in, A/rtHz, at each input        in series with the input; to ground
transistor         2 q Ic, 2 q Ib (shot noise, leakage too),    collector, inner base and emitter
                   4 k T / Rb of its base resistance            base and inner base
JFET               2 q Ig, 2/3 of 4 k T gm when saturated       gate and source; drain and source
MOSFET             2/3 of 4 k T gm when saturated               drain and source
diodes             2 q I, and 4 k T g of what conducts at rest  its ends
=================  ===========================================  =================================

All at the temperature of the design. Left out: 1/f noise (densities are those a data sheet states
at 1 kHz), what an avalanche makes beyond shot noise, noise of the supply and hum. The transfer
from every source to the output comes from one adjoint solution a section, carried backwards through
the sections that feed it.
"""

import math
from dataclasses import dataclass

import numpy as np

from vadist.analysis.chain_response import SolvedDesign, node_responses
from vadist.analysis.part_changes import part_path, value_text
from vadist.analysis.small_signal import linear_system
from vadist.arrays import ComplexArray, FloatArray
from vadist.circuits.network import INPUT
from vadist.quantities import BOLTZMANN_J_PER_K

BAND_HZ = (20.0, 20e3)
SPOT_HZ = 1e3

_POINTS = 240
# Trapezoids on a logarithmic grid: within 0.01 % for responses as smooth as a pole or two.


@dataclass(frozen=True)
class NoiseShare:
    """What one part adds.

    Attributes
    ----------
    part, value : str
    output_v : float
        rms volts it alone makes at the output, in the band.
    fraction : float
        Of the output's noise power.
    """

    part: str
    value: str
    output_v: float
    fraction: float


@dataclass(frozen=True)
class Noise:
    """Noise of a design.

    Attributes
    ----------
    temperature_k : float
    band_hz : tuple of two floats
    spot_hz : float
    output_v : float
        rms volts at the output in the band.
    input_v : float
        The same over the gain at the spot frequency.
    output_v_rthz, input_v_rthz : float
        Densities at the spot frequency.
    parts : tuple of NoiseShare
        The loudest first.
    """

    temperature_k: float
    band_hz: tuple[float, float]
    spot_hz: float
    output_v: float
    input_v: float
    output_v_rthz: float
    input_v_rthz: float
    parts: tuple[NoiseShare, ...]


def find_noise(
    solved: SolvedDesign,
    band_hz: tuple[float, float] = BAND_HZ,
    spot_hz: float = SPOT_HZ,
) -> Noise:
    """Noise at the output with the input driven by an ideal, silent source.

    Examples
    --------
    >>> from vadist.analysis.chain_response import solve_design
    >>> from vadist.designs.files import load_design
    >>> found = find_noise(solve_design(load_design("soft_clipper")))
    >>> found.parts[0].output_v <= found.output_v
    True
    """
    f = np.geomspace(*band_hz, _POINTS)
    powers = noise_densities(solved, f)
    spot = np.array([spot_hz])
    density = math.sqrt(sum(float(p[0]) for p in noise_densities(solved, spot).values()))
    gain = abs(node_responses(solved, spot)[solved.design.output][0])
    squares = {part: _integral(f, power) for part, power in powers.items()}
    total = sum(squares.values())
    shares = [
        NoiseShare(part, value_text(solved.design, part), math.sqrt(s), s / total if total else 0.0)
        for part, s in squares.items()
    ]
    return Noise(
        solved.network.temperature_k,
        band_hz,
        spot_hz,
        math.sqrt(total),
        math.sqrt(total) / gain if gain > 0.0 else math.inf,
        density,
        density / gain if gain > 0.0 else math.inf,
        tuple(sorted(shares, key=lambda share: -share.output_v)),
    )


def noise_densities(solved: SolvedDesign, frequencies_hz: FloatArray) -> dict[str, FloatArray]:
    """Power density that each part makes at the output, V^2/Hz.

    Parameters
    ----------
    solved : SolvedDesign
    frequencies_hz : (f,)

    Returns
    -------
    mapping of part -> (f,)
    """
    f = np.asarray(frequencies_hz, dtype=float)
    boltzmann_j = BOLTZMANN_J_PER_K * solved.network.temperature_k
    kt4 = 4.0 * boltzmann_j
    per_ampere, adjoints = _adjoints(solved, f)
    found: dict[str, FloatArray] = {}

    def add(part: str, density: FloatArray | float, transfer: ComplexArray) -> None:
        path = part_path(part)
        found[path] = found.get(path, np.zeros(len(f))) + density * np.abs(transfer) ** 2

    for (section, _), y in zip(solved.sections, adjoints, strict=True):
        n = len(section.unknowns)
        resistors = section.resistors
        for k, part in enumerate(resistors.parts):
            add(part, kt4 / resistors.values[k], y[:, :n] @ resistors.into[:, k])
    for placed in solved.resting_devices():
        section, point = solved.sections[placed.section]
        y = adjoints[placed.section][:, : len(section.unknowns)]
        into, part = section.port_into[:, placed.ports], placed.device.part
        for source in placed.device.record.noise(placed.resting, boltzmann_j):
            if source.place == "port":
                add(part, source.density, y @ into[:, source.index])
            elif source.place == "control":
                slopes = point.slopes[placed.ports, placed.controls][:, source.index]
                add(part, source.density, y @ into @ slopes)
            else:  # it flows in whatever section the node belongs to; a stiff one does not move
                for terminal in source.terminals:
                    node = placed.device.nodes[terminal]
                    add(part, source.density, per_ampere.get(node, np.zeros(len(f), dtype=complex)))
    return found


def _adjoints(
    solved: SolvedDesign, f: FloatArray
) -> tuple[dict[str, ComplexArray], list[ComplexArray]]:
    """Volts at the output per ampere into every node.

    Returns
    -------
    per_ampere : mapping of node -> (f,)
        A stiff node takes any current without moving and is left out.
    adjoints : list of (f, n) complex
        The same by section, for the rows of its equations.
    """
    s = 2j * math.pi * f
    # Sensitivity of the output to each node's *voltage*, filled in from the output backwards.
    volts: dict[str, ComplexArray] = {solved.output: np.ones(len(f), dtype=complex)}
    per_ampere: dict[str, ComplexArray] = {}
    adjoints: list[ComplexArray] = []
    for section, point in reversed(solved.sections):
        G, C, Gk, Ck = linear_system(section, point)
        wanted = np.zeros((len(f), len(G)), dtype=complex)
        for k, node in enumerate(section.unknowns):
            if node in volts:
                wanted[:, k] = volts[node]
        system = G + s[:, None, None] * C
        y: ComplexArray = np.linalg.solve(np.swapaxes(system, 1, 2), wanted[..., None])[
            ..., 0
        ].astype(complex)
        for k, signal in enumerate(section.signals):
            if signal == INPUT:
                continue
            through = -np.einsum("fn,fn->f", y, Gk[:, k] + s[:, None] * Ck[:, k])
            volts[signal] = volts.get(signal, 0.0) + through
        per_ampere |= {
            node: y[:, k]
            for k, node in enumerate(section.unknowns)
            if node not in section.owned_nodes
        }
        adjoints.append(y)
    return per_ampere, adjoints[::-1]


def _integral(f: FloatArray, density: FloatArray) -> float:
    return float(np.sum(np.diff(f) * (density[1:] + density[:-1])) / 2.0)
