"""A circuit that volts are pushed through, block after block."""

import numpy as np
from numpy.typing import ArrayLike

from vadist.arrays import FloatArray
from vadist.errors import UsageError
from vadist.stepping.circuit import Circuit
from vadist.stepping.stepper import Stepper


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
        begins = [0] * channels
        self._stepper = Stepper([circuit], channels, real=np.float64, begins=begins)

    def process(self, volts: ArrayLike) -> FloatArray:
        """Advance by a block; the state is kept for the next one.

        Parameters
        ----------
        volts : (samples,) or (samples, channels)

        Returns
        -------
        ndarray of the shape given
            Output volts, rest included. (:func:`vadist.render` gives (frames, channels) always.)
        """
        block = np.asarray(volts, dtype=float)
        self._stepper.process(block.reshape(len(block), self._stepper.lanes))
        output = self._stepper.heard(self.circuit.output)
        return np.asarray((output + self.circuit.rest_v).reshape(block.shape))
