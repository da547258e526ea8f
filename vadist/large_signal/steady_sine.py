"""One settled period of a sine at every stage of a design, at many input levels at once.

The step is a whole fraction of the period, so a discrete Fourier transform of one period gives
the harmonics without a window and without leakage.
"""

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vadist.analysis.chain_response import SolvedDesign, node_responses, stage_responses
from vadist.arrays import ComplexArray, FloatArray
from vadist.circuits.network import INPUT
from vadist.circuits.operating_point import SolvedNetwork
from vadist.errors import ConvergenceError, UsageError
from vadist.large_signal.leaps import Trail
from vadist.stepping.circuit import Circuit, build_circuit
from vadist.stepping.stepper import Stepper

SOURCE = "source"
"""Name of the input among the places; no stage can have it."""

NODE = "node "
"""What stands before a node of its own among the places."""

_RAIL = "rail "

LOWEST_HZ, HIGHEST_HZ = 20.0, 20e3

_LEAST_RATE_HZ = 192e3
_LEAST_STEPS = 128
# Trapezoidal steps turn a pole by (w h)^2 / 12: below 0.1 % for the tenth harmonic.

_SETTLED = 3e-5
# Largest change from one period to the next, of the stage's own amplitude; what is still to come
# is at most this times the slowest time constant in periods, some 0.1 %.
_LONGEST_S = 3.0
_SHORTEST_S = 0.05
_FAINTEST_V = 1e-7
_FADING = 3
# Periods after a leap in which what settles fast does so, before states are noted for the next.

HARMONICS = 30
"""Harmonics taken up; below 20 kHz only, where that is fewer."""


@dataclass(frozen=True)
class SteadySines:
    """One period at every stage.

    Attributes
    ----------
    frequency_hz : float
    levels_v : (levels,)
        Peak volts at the input.
    rest_v : mapping of stage -> volts at rest
    volts : mapping of stage, rail that moves, and :data:`SOURCE` -> (steps, levels)
        Deviations from rest over one period of the input sine; of a node that was asked for
        under :data:`NODE` and its name.
    orders : (harmonics,)
        1, 2, 3, ...
    responses : mapping of stage -> (harmonics,) complex
        Small-signal response of the stage at the harmonics.
    from_rails : mapping of stage -> mapping of rail that moves -> (harmonics,) complex
        Small-signal response at the stage from each of them, its input held.
    """

    frequency_hz: float
    levels_v: FloatArray
    rest_v: dict[str, float]
    volts: dict[str, FloatArray]
    orders: NDArray[np.int64]
    responses: dict[str, ComplexArray]
    from_rails: dict[str, dict[str, ComplexArray]]

    def spectrum(self, place: str) -> ComplexArray:
        """Harmonics at a stage or the input, (harmonics, levels), peak volts."""
        wave = self.volts[place]
        lines = np.fft.rfft(wave, axis=0) * (2.0 / len(wave))
        return np.asarray(lines[self.orders])

    def distortion(self, stage: str) -> FloatArray:
        """THD_F at a stage's output, as a ratio, (levels,)."""
        return _distortion(self.spectrum(stage), self.spectrum(stage)[0])

    def added_distortion(self, stage: str) -> FloatArray:
        """Distortion a stage adds itself, as a ratio to its fundamental, (levels,).

        What a linear stage would make of the harmonics that reach it is taken off first, so a
        block that only passes on the distortion of the one before, or of a rail that moves, counts
        as clean. Current that a nonlinear stage draws from the block before it is that block's.
        """
        places = [SOURCE, *self.responses]
        ways = {places[places.index(stage) - 1]: self.responses[stage], **self.from_rails[stage]}
        output = self.spectrum(stage)
        passed = sum(h[:, None] * self.spectrum(place) for place, h in ways.items())
        return _distortion(output - passed, output[0])

    def peaks(self, place: str) -> tuple[FloatArray, FloatArray]:
        """Lowest and highest deviation from rest, (levels,) each."""
        return self.volts[place].min(axis=0), self.volts[place].max(axis=0)


def _distortion(lines: ComplexArray, fundamental: ComplexArray) -> FloatArray:
    power = np.sum(np.abs(lines[1:]) ** 2, axis=0)
    return np.asarray(np.sqrt(power) / np.maximum(np.abs(fundamental), 1e-300))


def steps_per_period(frequency_hz: float) -> int:
    """Steps a period is divided into.

    >>> steps_per_period(220.0), steps_per_period(5000.0)
    (873, 128)
    """
    return max(math.ceil(_LEAST_RATE_HZ / frequency_hz), _LEAST_STEPS)


class SineRunner:
    """A design made ready for sines of one frequency.

    Parameters
    ----------
    solved : SolvedDesign
    frequency_hz : float
    nodes : sequence of str
        Nodes to hear besides the stages' outputs.

    Raises
    ------
    UsageError
        If the frequency is not audible.
    """

    def __init__(
        self, solved: SolvedDesign, frequency_hz: float, nodes: Sequence[str] = ()
    ) -> None:
        if not LOWEST_HZ <= frequency_hz <= HIGHEST_HZ:
            raise UsageError(
                f"frequency must be within {LOWEST_HZ:g}..{HIGHEST_HZ:g} Hz (got {frequency_hz:g})"
            )
        self.frequency_hz = frequency_hz
        self._steps = steps_per_period(frequency_hz)
        stages = tuple(solved.design.stages)
        rails = {_RAIL + rail: rail for rail in solved.network.moving_rails}
        besides = {**rails, **{NODE + node: node for node in nodes}}
        heard = dataclasses.replace(solved.network, outputs={**besides, **solved.network.outputs})
        self.circuit = build_circuit(
            SolvedNetwork(heard, solved.sections), frequency_hz * self._steps, (*besides, *stages)
        )
        count = max(min(HARMONICS, int(HIGHEST_HZ / frequency_hz), self._steps // 2 - 1), 2)
        self._orders = np.arange(1, count + 1)
        self._responses = stage_responses(solved, self._orders * frequency_hz)
        self._from_rails = _from_rails(solved, self._orders * frequency_hz, rails)
        volts = solved.node_v
        self._rest = {stage: volts[node] for stage, node in solved.stage_nodes.items()}

    @property
    def sample_rate_hz(self) -> float:
        """Samples a second of a period."""
        return self.circuit.sample_rate_hz

    def run(
        self, levels_v: Sequence[float] | FloatArray, period: FloatArray | None = None
    ) -> SteadySines:
        """Settle sines of the given peak levels.

        Parameters
        ----------
        levels_v : (levels,), each > 0
        period : (steps,), optional
            What is repeated instead of a sine, 1 at its peak.

        Raises
        ------
        UsageError
            If a level is not above 0 V.
        ConvergenceError
        """
        levels = np.asarray(levels_v, dtype=float)
        if not (np.isfinite(levels) & (levels > 0.0)).all():
            raise UsageError(f"level must be above 0 V (got {levels.min():g} V)")
        if period is None:
            period = self.sine
        # One lane would want a kernel of its own, some seconds of compiling: it runs twice.
        lanes = period[:, None] * (levels if len(levels) > 1 else np.repeat(levels, 2))
        settled = {SOURCE: lanes, **settle([self.circuit], lanes)}
        volts = {place: wave[:, : len(levels)] for place, wave in settled.items()}
        return self.heard(levels, volts)

    @property
    def sine(self) -> FloatArray:
        """One period of a sine of a volt, (steps,)."""
        return np.asarray(np.sin(2.0 * np.pi * np.arange(self._steps) / self._steps))

    def heard(self, levels_v: FloatArray, volts: dict[str, FloatArray]) -> SteadySines:
        """What is told of settled lanes, (steps, levels) by place."""
        return SteadySines(
            self.frequency_hz, levels_v, self._rest, volts, self._orders, self._responses,
            self._from_rails,
        )  # fmt: skip


def run_boards(
    runners: Sequence[SineRunner], levels_v: Sequence[float] | FloatArray
) -> list[SteadySines]:
    """Settle one sine through each of several designs, side by side.

    Parameters
    ----------
    runners : sequence of SineRunner
        Of one structure and frequency.
    levels_v : (runners,), each > 0
        Of each its own.

    Returns
    -------
    list of SteadySines
        One a design, of its one level. All settle until the slowest has, so that what is left at
        one depends on the others, within what counts as settled.
    """
    levels = np.asarray(levels_v, dtype=float)
    if len(runners) == 1:
        return [runners[0].run(levels)]
    lanes = runners[0].sine[:, None] * levels
    settled = {SOURCE: lanes, **settle([runner.circuit for runner in runners], lanes)}
    return [
        runner.heard(levels[k : k + 1], {place: v[:, k : k + 1] for place, v in settled.items()})
        for k, runner in enumerate(runners)
    ]


def _from_rails(
    solved: SolvedDesign, frequencies_hz: ArrayLike, rails: Mapping[str, str]
) -> dict[str, dict[str, ComplexArray]]:
    """Response at each stage from each rail that moves, the stage's input and the others held."""
    before, result = INPUT, {}
    for stage, node in solved.stage_nodes.items():
        pinned = (before, *rails.values())
        result[stage] = {
            name: node_responses(solved, frequencies_hz, rail, pinned)[node]
            for name, rail in rails.items()
        }
        before = node
    return result


def settle(circuits: Sequence[Circuit], period: FloatArray) -> dict[str, FloatArray]:
    """Repeat a period until every stage repeats itself.

    Parameters
    ----------
    circuits : sequence of Circuit
        One for all lanes, or one for each, all of one likeness.
    period : (steps, lanes)
        Input volts.

    Returns
    -------
    mapping of tap -> (steps, lanes)
        Deviations from rest over the last period.

    Raises
    ------
    ConvergenceError
    """
    lanes, circuit = period.shape[1], circuits[0]
    stepper = Stepper(circuits, lanes, real=np.float64)
    seconds = len(period) / circuit.sample_rate_hz
    least, most = math.ceil(_SHORTEST_S / seconds), math.ceil(_LONGEST_S / seconds)
    last = np.zeros((1, len(circuit.taps), lanes))
    judged = [k for k, name in enumerate(circuit.taps) if not name.startswith((_RAIL, NODE))]
    trail, slow, leaps = Trail(lanes), np.full(lanes, np.inf), True
    before, began = stepper, 0
    for count in range(most):
        try:
            stepper.process(period)
        except ConvergenceError:
            if stepper is before:
                raise
            stepper, trail, leaps = before, Trail(lanes), False
            continue
        now = np.stack([stepper.heard(tap) for tap in circuit.taps.values()], axis=1)
        change = np.abs(now - last).max(axis=0) / (np.ptp(now, axis=0) / 2.0 + _FAINTEST_V)
        last = now
        moved = change[judged].max(axis=0)
        if count >= least and (moved <= _SETTLED).all():
            break
        if count - began >= _FADING:
            trail.add(stepper.states())
        if trail.full:
            # Where the last leap did not help, plain periods take its turn.
            leaping = (moved < slow) & (moved > _SETTLED) & leaps
            slow = np.where(leaping, moved, np.inf)
            before, began = stepper, count + 1
            stepper = Stepper(circuits, lanes, enter=[trail.end(leaping)], real=np.float64)
            stepper.enter(0)
            trail = Trail(lanes)
    return {stage: last[:, k] for k, stage in enumerate(circuit.taps)}


def steady_sines(
    solved: SolvedDesign,
    frequency_hz: float,
    levels_v: Sequence[float] | FloatArray,
    nodes: Sequence[str] = (),
) -> SteadySines:
    """Settled sines of one frequency at several input levels; see :class:`SineRunner`."""
    return SineRunner(solved, frequency_hz, nodes).run(levels_v)
