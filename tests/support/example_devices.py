"""Small circuits around one kind of device each, N and P alike, on a supply of 9 V.

What every value is calculated from stands beside it; data of the parts are the library's.
"""

import dataclasses
from collections.abc import Callable
from typing import Any

from vadist.circuits.network import GROUND, INPUT, SUPPLY, DiodeString, Network
from vadist.parts import (
    TransistorModel,
    find_diode,
    find_jfet,
    find_mosfet,
    find_opamp,
    find_transistor,
    find_zener,
)

NPN = find_transistor("2N3904")
PNP = dataclasses.replace(NPN, name="2N3904 reversed", polarity="pnp")
OUTPUT = "output"


def _network(**rails: Any) -> Network:
    network = Network(**rails)
    network.outputs["circuit"] = OUTPUT
    return network


def common_emitter(model: TransistorModel) -> Network:
    """Divider bias; of a PNP the supply and ground have changed places.

    Wanted 1 mA and 1 V at the emitter: 1k. Collector wanted in the middle of what is left, 3.9 V
    over 1 mA: 3k9. Base 1.65 V from the rail: at 0.1 mA in the divider, ten times the base's
    current and more, 16k5 and 68k, so 15k and 68k. 11k at the input: 1 uF is 14 Hz.
    """
    network = _network()
    near, far = (GROUND, SUPPLY) if model.polarity == "npn" else (SUPPLY, GROUND)
    network.capacitor("in", INPUT, "base", 1e-6)
    network.resistor("far", "base", far, 68e3)
    network.resistor("near", "base", near, 15e3)
    network.resistor("emitter", "emitter", near, 1e3)
    network.resistor("collector", OUTPUT, far, 3.9e3)
    network.transistor("q", OUTPUT, "base", "emitter", model)
    return network


def common_source_jfet(name: str) -> Network:
    """Self-bias.

    2N5457, wanted 1 mA: Vgs 2.64 V (1 - sqrt(1/3.32)) = 1.19 V, so 1k2; drain in the middle between
    2.6 V, where it leaves saturation, and 9 V: 3.2 V/1 mA, so 3k3. 2N5460, wanted 0.5 mA: 2.19 V
    (1 - sqrt(0.5/2.21)) = 1.15 V, so 2k2; 3.4 V/0.5 mA, so 6k8. 1M is a light load for a pickup;
    with 10 nF 16 Hz.
    """
    model, network = find_jfet(name), _network()
    near, far = (GROUND, SUPPLY) if model.polarity == "n" else (SUPPLY, GROUND)
    source_ohm, drain_ohm = (1.2e3, 3.3e3) if model.polarity == "n" else (2.2e3, 6.8e3)
    network.capacitor("in", INPUT, "gate", 10e-9)
    network.resistor("gate", "gate", near, 1e6)
    network.resistor("source", "source", near, source_ohm)
    network.resistor("drain", OUTPUT, far, drain_ohm)
    network.jfet("j", OUTPUT, "gate", "source", model)
    return network


def common_source_mosfet(name: str) -> Network:
    """Divider bias.

    Wanted 1 mA and 1 V at the source: 1k. 2N7000: Vgs 1.73 V + sqrt(2 mA/73.3 mA/V2) = 1.89 V,
    BS250 2.05 V; gate some 2.9 V from the rail, 9 V 470k/1470k. Drain in the middle of what is
    left: 3k9. 320k at the gate: 47 nF is 11 Hz.
    """
    model, network = find_mosfet(name), _network()
    near, far = (GROUND, SUPPLY) if model.polarity == "n" else (SUPPLY, GROUND)
    network.capacitor("in", INPUT, "gate", 47e-9)
    network.resistor("near", "gate", near, 470e3)
    network.resistor("far", "gate", far, 1e6)
    network.resistor("source", "source", near, 1e3)
    network.resistor("drain", OUTPUT, far, 3.9e3)
    network.mosfet("m", OUTPUT, "gate", "source", model)
    return network


def mosfet_clipper(name: str) -> Network:
    """Two in series, each gate at its own drain: one opens, of the other the body diode conducts.

    3 V less 2.3 V in 3k3 is 0.2 mA at most from an op-amp that swings 3 V. 1/(2 pi 6n8 3k3) is
    7.1 kHz.
    """
    model, network = find_mosfet(name), _network()
    network.resistor("series", INPUT, OUTPUT, 3.3e3)
    network.capacitor("shunt", OUTPUT, GROUND, 6.8e-9)
    network.mosfet("upper", OUTPUT, OUTPUT, "middle", model)
    network.mosfet("lower", GROUND, GROUND, "middle", model)
    return network


def zener_clipper(name: str) -> Network:
    """Two in series, anode to anode.

    From 10 V of a stiff source wanted 2 mA: (10 - 5.8) V/2 mA, so 2k2. 1/(2 pi 10n 2k2) = 7.2 kHz.
    """
    model, network = find_zener(name), _network()
    network.resistor("series", INPUT, OUTPUT, 2.2e3)
    network.capacitor("shunt", OUTPUT, GROUND, 10e-9)
    network.zener("upper", "middle", OUTPUT, model)
    network.zener("lower", "middle", GROUND, model)
    return network


def diode_clipper() -> Network:
    """One silicon diode each way; 2k2 and 10 nF as for the Zeners."""
    network, string = _network(), DiodeString(find_diode("1N4148"))
    network.resistor("series", INPUT, OUTPUT, 2.2e3)
    network.capacitor("shunt", OUTPUT, GROUND, 10e-9)
    network.diodes("d", OUTPUT, GROUND, string, string)
    return network


def follower() -> Network:
    """An op-amp whose output is its inverting input, into 10k."""
    network = _network(input_v=4.5)
    network.opamp("u", INPUT, OUTPUT, OUTPUT, find_opamp("TL072"))
    network.resistor("load", OUTPUT, GROUND, 10e3)
    return network


def follower_on_a_moving_supply() -> Network:
    """The same behind 100 ohm, as a tired battery has, and 100 uF: 1/(2 pi 100u 100) = 16 Hz."""
    network = _network(input_v=4.5, fed={SUPPLY})
    network.resistor("resistance", network.ideal_supply, SUPPLY, 100.0)
    network.capacitor("filter", SUPPLY, GROUND, 100e-6)
    network.opamp("u", INPUT, OUTPUT, OUTPUT, find_opamp("TL072"))
    network.resistor("load", OUTPUT, GROUND, 10e3)
    return network


CIRCUITS: dict[str, Callable[[], Network]] = {
    "diode": diode_clipper,
    "zener": lambda: zener_clipper("BZX55C5V1"),
    "npn": lambda: common_emitter(NPN),
    "pnp": lambda: common_emitter(PNP),
    "n jfet": lambda: common_source_jfet("2N5457"),
    "p jfet": lambda: common_source_jfet("2N5460"),
    "n mosfet": lambda: common_source_mosfet("2N7000"),
    "p mosfet": lambda: common_source_mosfet("BS250"),
    "n mosfets clipping": lambda: mosfet_clipper("2N7000"),
    "p mosfets clipping": lambda: mosfet_clipper("BS250"),
    "op-amp": follower,
    "op-amp on a moving supply": follower_on_a_moving_supply,
}
"""Circuits by what they hold; every kind of device is in one."""
