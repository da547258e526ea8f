"""Boards that hold something their design does not, in front of the synthetic bench.

A board is changed either as a design (a value that the fit leaves alone) or as a network (what no
design can say); SUNDIALS IDA solves it as :mod:`synthetic_bench` does any other. Sizes are drawn
over the range that a person could meet and not chosen for the fit to see or to miss.
"""

import dataclasses
from collections.abc import Callable

import numpy as np
from synthetic_bench import FITTED, FitCase, Scope, draw_parts, level_sweeps, record_board

from vadist.circuits.network import GROUND, Network, TwoTerminal
from vadist.designs.design import Design

Change = Callable[[Network], None]


def between(generator, low, high):
    """A value drawn evenly by ratio."""
    return float(np.exp(generator.uniform(np.log(low), np.log(high))))


def _find(elements: list[TwoTerminal], part: str) -> TwoTerminal:
    return next(e for e in elements if e.part == part)


def junction_capacitance(generator) -> Change:
    """Capacitance across the diodes and from the transistor's collector to its base."""
    diodes, transistor = between(generator, 4e-12, 400e-12), between(generator, 4e-12, 40e-12)

    def change(network: Network) -> None:
        network.stage = "junction"
        for device in network.devices:
            if device.kind == "diodes":
                ((a, b),) = device.controls
                network.capacitor("diodes", a, b, diodes)
            elif device.kind == "transistor":
                a, b = device.controls[1]
                network.capacitor("collector", a, b, transistor)

    return change


def leaking_capacitor(generator) -> Change:
    """A coupling capacitor with a resistance across it."""
    part = str(generator.choice(["boost.input_capacitor", "coupling.capacitor"]))
    leak = between(generator, 47e3, 1e6)

    def change(network: Network) -> None:
        held = _find(network.capacitors, part)
        network.stage = "leak"
        network.resistor("resistance", held.a, held.b, leak)

    return change


def capacitor_loss(generator) -> Change:
    """A capacitor with a resistance in series."""
    part = str(generator.choice(["clipper.shunt_capacitor", "blend.low_capacitor"]))
    series = between(generator, 47.0, 1e3)

    def change(network: Network) -> None:
        held = _find(network.capacitors, part)
        network.capacitors[network.capacitors.index(held)] = dataclasses.replace(held, a="loss.in")
        network.stage = "loss"
        network.resistor("resistance", held.a, "loss.in", series)

    return change


def probe_cable(generator) -> Change:
    """The capacitance of a cable at the output, a node of some ten kilohm."""
    farad = between(generator, 47e-12, 1e-9)

    def change(network: Network) -> None:
        network.stage = "cable"
        network.capacitor("capacitance", "blend.output", GROUND, farad)

    return change


def stage_coupling(generator) -> Change:
    """A stray capacitance from the boost's collector to the blend's wiper."""
    farad = between(generator, 1e-12, 47e-12)

    def change(network: Network) -> None:
        network.stage = "stray"
        network.capacitor("capacitance", "boost.output", "blend.output", farad)

    return change


LEFT_OUT = {
    "junction capacitance": junction_capacitance,
    "a leaking capacitor": leaking_capacitor,
    "a capacitor with loss": capacitor_loss,
    "a cable at the output": probe_cable,
    "stray coupling": stage_coupling,
}
"""What no design holds: a change of the network."""


def _moving_bias(design: Design, generator) -> Design:
    """The bias rail is the middle of a divider with a bypass capacitor."""
    half, bypass = between(generator, 10e3, 47e3), between(generator, 4.7e-6, 100e-6)
    return design.with_value("supply.bias_upper", half).with_value("supply.bias_capacitor", bypass)


def _sagging_supply(design: Design, generator) -> Design:
    """The supply comes through a resistance into a capacitor."""
    series, bypass = between(generator, 47.0, 470.0), between(generator, 1e-6, 100e-6)
    return design.with_value("supply.resistance", series).with_value(
        "supply.filter_capacitor", bypass
    )


def _transistor_gain(design: Design, generator) -> Design:
    held = design.value("boost.transistor")
    beta = held.forward_beta * between(generator, 0.25, 1.5)
    return design.with_value("boost.transistor", dataclasses.replace(held, forward_beta=beta))


def _diodes(design: Design, sides, **factors) -> Design:
    pair = design.value("clipper.diodes")
    changed = {}
    for side in sides:
        string = getattr(pair, side)
        values = {k: getattr(string.model, k) * v for k, v in factors.items()}
        changed[side] = dataclasses.replace(
            string, model=dataclasses.replace(string.model, **values)
        )
    return design.with_value("clipper.diodes", dataclasses.replace(pair, **changed))


def _other_diode(design: Design, generator) -> Design:
    return _diodes(
        design, ("forward", "reverse"), saturation_current_a=between(generator, 0.1, 10.0),
        emission_coefficient=between(generator, 0.85, 1.15),
    )  # fmt: skip


def _unequal_diodes(design: Design, generator) -> Design:
    return _diodes(design, ("forward",), saturation_current_a=between(generator, 0.2, 5.0))


def _opamp(design: Design, generator) -> Design:
    held = design.value("gain.opamp")
    slower = held.gain_bandwidth_hz * between(generator, 0.1, 1.5)
    return design.with_value("gain.opamp", dataclasses.replace(held, gain_bandwidth_hz=slower))


def _supply(design: Design, generator) -> Design:
    return design.with_value("supply.volts", between(generator, 7.0, 10.0))


def _other_part(design: Design, generator) -> Design:
    path = str(generator.choice(FITTED))
    return design.with_value(path, design.value(path) * between(generator, 0.75, 1.33))


NOT_FREED = {
    "a bias rail that moves": _moving_bias,
    "a supply that sags": _sagging_supply,
    "transistor gain": _transistor_gain,
    "diodes of another type": _other_diode,
    "unequal diodes": _unequal_diodes,
    "gain-bandwidth": _opamp,
    "supply volts": _supply,
    "a part that is not freed": _other_part,
}
"""What the design could say and the fit leaves alone."""

KINDS = (*LEFT_OUT, *NOT_FREED)


def mismatched_case(seed: int, kind: str, parts: int = 3) -> FitCase:
    """Draw a board: ``parts`` of :data:`FITTED` off by up to 25 %, and one mismatch."""
    generator = np.random.default_rng(5000 + seed)
    board, truth = draw_parts(generator, parts)
    change = None
    if kind in LEFT_OUT:
        change = LEFT_OUT[kind](generator)
    else:
        free = board
        while True:
            board = NOT_FREED[kind](free, generator)
            if all(board.value(path) == value for path, value in truth.items()):
                break
    return record_board(board, truth, level_sweeps((0.02, 0.2), 0.015), Scope(), generator, change)
