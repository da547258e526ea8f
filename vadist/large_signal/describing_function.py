"""How a block's corner moves with level: its sinusoidal-input describing function.

The block is driven by a sine of one amplitude at its own input. Its devices answer with a constant
and a fundamental alone, harmonics are taken as if they did not act back, and what is around them is
linear (harmonic balance of one harmonic; A. Gelb, W. E. Vander Velde, Multiple-Input Describing
Functions and Nonlinear System Design, 1968, chapters 2 and 6; H. K. Khalil, Nonlinear Systems, 3rd
edition 2002, section 7.2; from memory, not located). The quotient of both fundamentals is read as a
response that depends on the amplitude.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vadist.analysis.chain_response import SolvedDesign
from vadist.analysis.crossings import HALF_POWER_DB
from vadist.analysis.impedances import driven_block
from vadist.arrays import ComplexArray, FloatArray
from vadist.devices.evaluate import currents_and_slopes
from vadist.devices.kind import DRIVING_A

LOWEST_HZ, HIGHEST_HZ = 20.0, 100e3

_GRID_HZ = np.geomspace(LOWEST_HZ, HIGHEST_HZ, 16)
_PHASES = 32
_GROWTH = 2.0
# From one amplitude to the next on the way up, so that Newton's method starts near.
_SMALLEST_V = 1e-3
_STEPS = 60
_SAME_V = 1e-9
_REFINEMENTS = 5


@dataclass(frozen=True)
class LevelCorners:
    """-3 dB points of a block at one level.

    Attributes
    ----------
    input_v : float
        Peak volts of the sine at the block's own input.
    bass_cut_hz, treble_cut_hz : float or None
        Below and above where the block is loudest; None where it stays within 3 dB from
        :data:`LOWEST_HZ` to :data:`HIGHEST_HZ`.
    """

    input_v: float
    bass_cut_hz: float | None
    treble_cut_hz: float | None


class DescribedBlock:
    """A block made ready to be driven by sines.

    Parameters
    ----------
    solved : SolvedDesign
    stage : str
        One that is not bypassed.
    """

    def __init__(self, solved: SolvedDesign, stage: str) -> None:
        self._equations, self._held = driven_block(solved, stage)
        self._output = self._equations.across(solved.stage_nodes[stage], "")
        placed = [p for part, p in self._equations.devices.items() if part.split(".")[0] == stage]
        self._kinds = [p.device.kind for p in placed]
        self._parameters = [p.device.parameters for p in placed]
        rows = [self._equations.across(a, b) for p in placed for a, b in p.device.controls]
        ports = [self._equations.port(p, k) for p in placed for k in range(p.device.record.ports)]
        size = len(self._output)
        self._control = np.array(rows).reshape(-1, size)
        self._into = np.array(ports).reshape(-1, size).T
        volts = solved.node_v
        self._rest_v = np.array(
            [volts.get(a, 0.0) - volts.get(b, 0.0) for p in placed for a, b in p.device.controls]
        )
        self._rest_a, self._slopes = currents_and_slopes(
            self._kinds, self._parameters, self._rest_v
        )
        # What a constant remainder of the port currents does, the input held.
        still = dict.fromkeys(self._held, 0.0)
        self._constant = self._control @ self._equations.solve([0.0], still, self._into)[0].real
        angles = 2.0 * math.pi * np.arange(_PHASES) / _PHASES
        # Control volts at each phase from a constant, a cosine's and a sine's share; and back.
        self._wave = np.stack([np.ones(_PHASES), np.cos(angles), -np.sin(angles)], axis=1)
        self._parts = self._wave.T * np.array([1.0, 2.0, 2.0])[:, None] / _PHASES

    def gain(self, hz: float, amplitude_v: float, start: FloatArray | None = None) -> complex:
        """Fundamental at the output over that at the input; NaN where no answer was found."""
        return self._balanced(hz, amplitude_v, start)[0]

    def _balanced(
        self, hz: float, amplitude_v: float, start: FloatArray | None
    ) -> tuple[complex, FloatArray]:
        """The gain and the control volts, (3, controls): constant, real and imaginary part."""
        moved = self._equations.solve([hz], self._held)[0]
        answer = self._equations.solve([hz], dict.fromkeys(self._held, 0.0), self._into)[0]
        drive, fed = self._control @ moved, self._control @ answer
        v = np.zeros((3, len(self._rest_v))) if start is None else start
        steps = [amplitude_v]
        while start is None and steps[0] > _SMALLEST_V:
            steps.insert(0, steps[0] / _GROWTH)
        remainder = np.zeros((3, len(self._rest_a)))
        for step_v in steps:
            v, remainder = self._newton(v, drive * step_v, fed)
        phasor = remainder[1] + 1j * remainder[2]
        out = self._output @ moved * amplitude_v + self._output @ answer @ phasor
        return complex(out / amplitude_v), v

    def _newton(
        self, v: FloatArray, drive: ComplexArray, fed: ComplexArray
    ) -> tuple[FloatArray, FloatArray]:
        """Control volts with which devices and circuit agree, and the remainders there."""
        wanted = np.stack([np.zeros(len(drive)), drive.real, drive.imag])
        ports, controls = len(self._rest_a), len(drive)
        # From remainders (3, ports) to control volts (3, controls).
        back = np.zeros((3, controls, 3, ports))
        back[0, :, 0] = self._constant
        back[1, :, 1], back[1, :, 2] = fed.real, -fed.imag
        back[2, :, 1], back[2, :, 2] = fed.imag, fed.real

        def missing(at: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
            remainder, bends = self._remainders(at)
            miss = at - wanted - np.einsum("acbp,bp->ac", back, remainder)
            return miss, remainder, bends

        miss, remainder, bends = missing(v)
        for _ in range(_STEPS):
            slope = np.eye(3 * controls) - np.einsum("acbp,bpde->acde", back, bends).reshape(
                3 * controls, 3 * controls
            )
            step = np.linalg.solve(slope, -miss.ravel()).reshape(v.shape)
            share = 1.0
            while True:
                tried = missing(v + share * step)
                if np.linalg.norm(tried[0]) < np.linalg.norm(miss) or share < 1e-3:
                    break
                share *= 0.5
            v = v + share * step
            miss, remainder, bends = tried
            if np.abs(step).max(initial=0.0) * share < _SAME_V:
                return v, remainder
        return v * math.nan, remainder * math.nan

    def _remainders(self, v: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Constant and fundamental of what port currents are beyond their straight lines.

        Returns
        -------
        (3, ports), and its derivative (3, ports, 3, controls)
        """
        waves = self._wave @ v
        found = [
            currents_and_slopes(self._kinds, self._parameters, self._rest_v + volts)
            for volts in waves
        ]
        currents = np.array([i for i, _ in found]) - self._rest_a - waves @ self._slopes.T
        bends = np.array([g for _, g in found]) - self._slopes
        return self._parts @ currents, np.einsum("am,mpc,mb->apbc", self._parts, bends, self._wave)

    def corners(self, amplitude_v: float) -> LevelCorners | None:
        """-3 dB points at an amplitude; None where no answer was found.

        Parameters
        ----------
        amplitude_v : float
        """
        gains, starts, start = [], [], None
        for hz in _GRID_HZ:
            gain, start = self._balanced(float(hz), amplitude_v, start)
            gains.append(abs(gain))
            starts.append(start)
        level = 20.0 * np.log10(np.maximum(gains, 1e-20))
        if not np.isfinite(level).all():
            return None
        loudest = int(level.argmax())
        below = level - level[loudest] + HALF_POWER_DB
        bass = np.flatnonzero(below[:loudest] < 0.0)
        treble = np.flatnonzero(below[loudest:] < 0.0) + loudest
        goal = float(level[loudest]) - HALF_POWER_DB

        def crossing(one: int, other: int) -> float:
            ends = (math.log(_GRID_HZ[one]), math.log(_GRID_HZ[other]))
            miss = (float(below[one]), float(below[other]))
            return self._crossing(amplitude_v, goal, ends, miss, starts[one])

        return LevelCorners(
            amplitude_v,
            crossing(int(bass[-1]), int(bass[-1]) + 1) if len(bass) else None,
            crossing(int(treble[0]) - 1, int(treble[0])) if len(treble) else None,
        )

    def _crossing(
        self,
        amplitude_v: float,
        goal_db: float,
        ends: tuple[float, float],
        miss_db: tuple[float, float],
        start: FloatArray,
    ) -> float:
        """Where the level passes a goal between two logarithms of frequency, by chords."""
        (x, y), (at_x, at_y) = ends, miss_db
        for _ in range(_REFINEMENTS):
            z = x + (y - x) * at_x / (at_x - at_y)
            at_z = 20.0 * math.log10(abs(self.gain(math.exp(z), amplitude_v, start))) - goal_db
            if (at_z < 0.0) == (at_x < 0.0):
                x, at_x = z, at_z
            else:
                y, at_y = z, at_z
        return math.exp(x + (y - x) * at_x / (at_x - at_y))


def clips(solved: SolvedDesign, stage: str) -> bool:
    """Whether a block has a device that carries nothing at rest: it is there to clip."""
    return any(
        not placed.device.owned_node and not np.abs(placed.resting.currents).max() > DRIVING_A
        for placed in solved.resting_devices()
        if placed.device.part.split(".")[0] == stage
    )


def corners_at_levels(
    solved: SolvedDesign, stage: str, inputs_v: Sequence[float]
) -> tuple[LevelCorners, ...] | None:
    """-3 dB points of a block at some levels of its own input; None where no answer was found.

    Parameters
    ----------
    solved : SolvedDesign
    stage : str
    inputs_v : sequence of float
        Peak volts.
    """
    block = DescribedBlock(solved, stage)
    found = [block.corners(level) for level in inputs_v]
    return None if None in found else tuple(c for c in found if c is not None)
