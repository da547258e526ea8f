"""Circuits that several tests share: a stage of each type alone, and custom part models."""

import numpy as np

from vadist.circuits.network import DiodeString
from vadist.designs.chain import Chain
from vadist.designs.design import Supply
from vadist.parts import (
    DiodeModel,
    OpAmpModel,
    TransistorModel,
    find_diode,
    find_opamp,
    find_transistor,
)
from vadist.quantities import thermal_voltage
from vadist.stages import (
    CouplingHighPass,
    DiodeClipper,
    DiodePair,
    EmitterFollower,
    FeedbackClipper,
    LevelControl,
    OpAmpGain,
    Pot,
    Stage,
    ToneBlend,
    TransistorBoost,
)

NO_LOAD_OHM = 1e18
"""A load so light that it stays below the rounding of a closed form."""

WIRE_FARAD = 0.1
"""A capacitor that is a wire at audio frequencies and holds its DC voltage for the test's time."""

SILICON = find_diode("1N4148")
PRESETS = ("boosted_hard_clipper", "soft_clipper", "treble_boost")
"""Designs that show the package's numbers: two ways of clipping and a transistor alone."""

NPN = find_transistor("2N3904")
OPAMP = find_opamp("TL072")

# The published test circuit of Yeh, Abel, Vladimirescu and Smith (Computer Music Journal 32(2),
# 2008): antiparallel diodes, n included in the thermal voltage.
PUBLISHED_R_OHM, PUBLISHED_C_F = 2.2e3, 10e-9
PUBLISHED_IS_A, PUBLISHED_VT_V = 2.52e-9, 45.3e-3


def ideal_diode(saturation_current_a: float, slope_v: float) -> DiodeModel:
    """Shockley diode without series resistance; ``slope_v`` is n Vt."""
    return DiodeModel(
        "ideal", "silicon", saturation_current_a, slope_v / thermal_voltage(), 0.0, "test"
    )


def antiparallel(model: DiodeModel) -> DiodePair:
    """One diode each way."""
    return DiodePair(DiodeString(model), DiodeString(model))


def ideal_opamp(gain_bandwidth_hz: float, slew_rate_v_per_s: float = 1e12) -> OpAmpModel:
    """Op-amp without headroom whose finite figures are only those given."""
    return OpAmpModel(
        "ideal", gain_bandwidth_hz, slew_rate_v_per_s, open_loop_gain=1e9, headroom_high_v=0.0,
        headroom_low_v=0.0, voltage_noise_v_rthz=0.0, current_noise_a_rthz=0.0,
        supply_current_a=0.0,
    )  # fmt: skip


def transistor_without_early_effect(
    saturation_current_a: float, forward_beta: float, reverse_beta: float
) -> TransistorModel:
    """Plain Ebers-Moll transistor."""
    return TransistorModel("plain", saturation_current_a, forward_beta, reverse_beta, np.inf)


def published_clipper(shunt_capacitor: float | None = PUBLISHED_C_F) -> DiodeClipper:
    """The published test circuit; without the capacitor it is its static curve."""
    diode = ideal_diode(PUBLISHED_IS_A, PUBLISHED_VT_V)
    return DiodeClipper(
        series_resistor=PUBLISHED_R_OHM, diodes=antiparallel(diode), shunt_capacitor=shunt_capacitor
    )


def alone(stage: Stage, supply_v: float = 9.0, load_ohm: float = NO_LOAD_OHM) -> Chain:
    """A stage driven by an ideal source into a given load."""
    return Chain({"stage": stage}, Supply(supply_v), load_ohm)


def every_stage() -> dict[str, Stage]:
    """One of each stage type, with values of the order a guitar circuit has."""
    return {
        "coupling_high_pass": CouplingHighPass(capacitor=100e-9, bias_resistor=100e3),
        "emitter_follower": EmitterFollower(
            input_capacitor=22e-9, bias_resistor=1e6, emitter_resistor=10e3, transistor=NPN
        ),
        "transistor_boost": TransistorBoost(
            input_capacitor=220e-9, feedback_resistor=470e3, collector_resistor=10e3,
            transistor=NPN, base_resistor=10e3, emitter_resistor=100.0, ground_resistor=100e3,
            rolloff_capacitor=220e-12,
        ),
        "opamp_gain": OpAmpGain(
            opamp=OPAMP, feedback_resistor=10e3, drive_pot=Pot(100e3, 0.5), leg_resistor=1e3,
            leg_capacitor=470e-9, feedback_capacitor=220e-12,
        ),
        "feedback_clipper": FeedbackClipper(
            opamp=OPAMP, feedback_resistor=51e3, drive_pot=Pot(250e3, 0.5), leg_resistor=4.7e3,
            leg_capacitor=47e-9, feedback_capacitor=47e-12, diodes=antiparallel(SILICON),
        ),
        "diode_clipper": DiodeClipper(
            series_resistor=2.2e3, diodes=antiparallel(SILICON), shunt_capacitor=10e-9
        ),
        "tone_blend": ToneBlend(
            low_resistor=39e3, low_capacitor=10e-9, high_capacitor=4.7e-9, high_resistor=22e3,
            blend_pot=Pot(100e3, 0.5),
        ),
        "level_control": LevelControl(input_capacitor=100e-9, level_pot=Pot(100e3, 0.5)),
    }  # fmt: skip
