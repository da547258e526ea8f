"""Stages alone and in a row, from Python, without a design file."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from vadist.circuit import Circuit, build_circuit
from vadist.design import Design, Supply
from vadist.errors import UsageError
from vadist.sections import Matrix
from vadist.stages.stage import Stage
from vadist.stepper import Stepper


class Processor:
    """A circuit at one sample rate that volts are pushed through, block after block.

    Parameters
    ----------
    circuit : Circuit
    channels : int
    """

    def __init__(self, circuit: Circuit, channels: int) -> None:
        if channels < 1:
            raise UsageError(f"channels must be at least 1 (got {channels})")
        self.circuit = circuit
        self._stepper = Stepper([circuit], channels)

    def process(self, volts: ArrayLike) -> Matrix:
        """Advance by a block; the state is kept for the next one.

        Parameters
        ----------
        volts : (samples,) or (samples, channels)

        Returns
        -------
        ndarray of the same shape
            Output volts, rest included.
        """
        block = np.asarray(volts, dtype=float)
        self._stepper.process(block.reshape(len(block), self._stepper.lanes))
        output = self._stepper.heard(self.circuit.output)
        return np.asarray((output + self.circuit.rest_v).reshape(block.shape))


@dataclass(frozen=True)
class Chain:
    """Stages in signal order, each loading the one before.

    Parameters
    ----------
    stages : sequence of Stage, or mapping of name -> Stage
        Without names they are called ``stage_1``, ``stage_2``, ...
    supply : Supply
    load_ohm : float

    Notes
    -----
    The input is the deviation from where it rests: the bias rail if the first stage needs that
    (:attr:`Stage.driven_at_bias`), ground otherwise.

    Examples
    --------
    >>> from vadist.stages import CouplingHighPass
    >>> chain = Chain([CouplingHighPass(capacitor=100e-9, bias_resistor=1e6, returns_to="ground")])
    >>> chain.discretize(48000).process([0.0, 0.0]).tolist()
    [0.0, 0.0]
    """

    stages: Sequence[Stage] | Mapping[str, Stage]
    supply: Supply = Supply()
    load_ohm: float = 1e9

    def design(self) -> Design:
        """The chain as a design."""
        stages = self.stages
        if not isinstance(stages, Mapping):
            stages = {f"stage_{k + 1}": stage for k, stage in enumerate(stages)}
        at_bias = next(iter(stages.values())).driven_at_bias if stages else False
        return Design("chain", stages, self.supply, load_ohm=self.load_ohm, input_at_bias=at_bias)

    def discretize(self, sample_rate_hz: float, channels: int = 1) -> Processor:
        """Make the chain ready to run at a rate, resting at its operating point."""
        return Processor(build_circuit(self.design(), sample_rate_hz), channels)
