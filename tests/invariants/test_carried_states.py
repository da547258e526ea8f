"""States of a circuit at one rate, carried over to a finer one.

Authority: the finer run itself, from the same start and with the same input.
"""

import dataclasses

import numpy as np
from example_circuits import on_held_rails

from vadist.circuits.operating_point import solve_network
from vadist.designs.design import Source
from vadist.stepping.circuit import build_circuit
from vadist.stepping.stepper import Stepper

RATE = 8 * 48_000


def test_states_carried_over_are_those_of_the_finer_run() -> None:
    """A pickup's coil, coupling capacitors and an op-amp's own pole, in a smooth passage.

    What is left is of second order; taken as they are, the states differ by half a step of the
    signal, and the coil's history by a factor of two besides.
    """
    pickup = Source(resistance=6e3, inductance=2.5, coil_capacitance=100e-12)
    design = dataclasses.replace(on_held_rails("soft_clipper"), source=pickup)
    solved = solve_network(design.network())
    coarse, fine = (build_circuit(solved, rate) for rate in (RATE, 2 * RATE))
    samples = 2000

    def run(circuit, factor: int, count: int) -> Stepper:
        t = np.arange(count) / (factor * RATE)
        stepper = Stepper([circuit], 1)
        stepper.process(0.02 * np.sin(2.0 * np.pi * 900.0 * t)[:, None])
        return stepper

    here, after = (run(coarse, 1, samples + k).states() for k in (0, 1))
    wanted = run(fine, 2, 2 * samples).states()
    assert any(np.any(s.state_units != 1.0) for s in coarse.sections), "a coil must be there"
    for k, section in enumerate(fine.sections):
        carried = section.carried_over(np.stack([here[k], after[k]]), coarse.sections[k])
        left = np.abs(carried - wanted[k]).max()
        moved = np.abs(here[k] - wanted[k]).max()
        print(f"{section.stages}: {moved:.2e} V apart, {left:.2e} V when carried over")
        assert moved > 1e-5
        assert left < 0.03 * moved
