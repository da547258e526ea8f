"""Stages alone and in a row, from Python, without a design file."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from vadist.circuits.operating_point import solve_network
from vadist.designs.design import Design
from vadist.designs.supply import Supply
from vadist.stages.stage import UNLOADED_OHM, Stage
from vadist.stepping.circuit import build_circuit
from vadist.stepping.processor import Processor


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
    load_ohm: float = UNLOADED_OHM

    def design(self) -> Design:
        """The chain as a design."""
        stages = self.stages
        if not isinstance(stages, Mapping):
            stages = {f"stage_{k + 1}": stage for k, stage in enumerate(stages)}
        at_bias = next(iter(stages.values())).driven_at_bias if stages else False
        return Design("chain", stages, self.supply, load_ohm=self.load_ohm, input_at_bias=at_bias)

    def discretize(self, sample_rate_hz: float, channels: int = 1) -> Processor:
        """Make the chain ready to run at a rate, resting at its operating point."""
        solved = solve_network(self.design().network())
        return Processor(build_circuit(solved, sample_rate_hz), channels)
