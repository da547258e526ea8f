"""Circuits that several tests share: a stage of each type alone, and custom part models."""

import numpy as np

from vadist.circuits.network import DiodeString
from vadist.designs.chain import Chain
from vadist.designs.design import Design
from vadist.designs.files import load_design
from vadist.designs.supply import Supply
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


# The arms of a tone blend that tests share: unlike each other, so that none stands for another.
# Low arm: ten times a clipper's 2k7 (light load), 27k; wanted 400 Hz: 1/(2 pi 27k 400 Hz) = 14.7n.
# High arm: wanted lighter still, 33k, and 1.5 kHz: 1/(2 pi 33k 1.5 kHz) = 3.2n.
LOW_ARM_OHM, LOW_ARM_FARAD = 27e3, 15e-9  # 393 Hz
HIGH_ARM_FARAD, HIGH_ARM_OHM = 3.3e-9, 33e3  # 1.46 kHz


def on_held_rails(preset: str) -> Design:
    """A preset with its bias rail held stiff: of several sections, and soon settled.

    How a take is cut into segments and lanes share sections is shown on it.
    """
    return load_design(preset).with_value("supply.bias", 0.5)


def every_stage() -> dict[str, Stage]:
    """One of each stage type, on a supply of 9 V; what its values are calculated from is beside it.

    Corners are 1/(2 pi R C). The low E of a guitar is 82.4 Hz.
    """
    return {
        # 16 Hz, two octaves under the low E.
        "coupling_high_pass": CouplingHighPass(capacitor=100e-9, bias_resistor=100e3),
        # Half the supply less VBE over 10k is 0.39 mA; 1M, a hundred times a pickup's 10k, as the
        # load; 7.2 Hz, a decade under the low E.
        "emitter_follower": EmitterFollower(
            input_capacitor=22e-9, bias_resistor=1e6, emitter_resistor=10e3, transistor=NPN
        ),
        # Wanted 1.15 mA at half the supply: 4.5 V/1.15 mA = 3k9. Wanted a gain of 22 at the base:
        # 3k8/22 less re = 22 ohm is 150 ohm. Base at 0.66 + 0.17 = 0.83 V; 21 uA in 39k and 9 uA of
        # base current at a gain of 130: (4.5 - 0.83) V/30 uA = 122k, so 120k. Input resistance
        # 120k/23 || 39k || 130 x 172 ohm = 3k8 after 2k2; 1/(2 pi 680n 6k0) = 39 Hz, an octave
        # under the low E. 220p sees some 34k: 21 kHz.
        "transistor_boost": TransistorBoost(
            input_capacitor=680e-9, feedback_resistor=120e3, collector_resistor=3.9e3,
            transistor=NPN, base_resistor=2.2e3, emitter_resistor=150.0, ground_resistor=39e3,
            rolloff_capacitor=220e-12,
        ),
        # Wanted gains of 10 to 100: 1 + 12k/1k2 = 11, 1 + 112k/1k2 = 94. Bass corner wanted 300 Hz:
        # 1/(2 pi 1k2 300 Hz) = 442n. Treble at full drive wanted 7 kHz: 1/(2 pi 112k 7 kHz) = 203p.
        "opamp_gain": OpAmpGain(
            opamp=OPAMP, feedback_resistor=12e3, drive_pot=Pot(100e3, 0.5), leg_resistor=1.2e3,
            leg_capacitor=470e-9, feedback_capacitor=220e-12,
        ),
        # Wanted a gain of 10 at minimum drive, 30 dB more at most: 1 + 33k/3k3 = 11 (21 dB),
        # 1 + 283k/3k3 = 87 (39 dB). Bass corner wanted 300 Hz: 1/(2 pi 3k3 300 Hz) = 161n. Treble
        # at full drive wanted 8 kHz: 1/(2 pi 283k 8 kHz) = 70p.
        "feedback_clipper": FeedbackClipper(
            opamp=OPAMP, feedback_resistor=33e3, drive_pot=Pot(250e3, 0.5), leg_resistor=3.3e3,
            leg_capacitor=150e-9, feedback_capacitor=68e-12, diodes=antiparallel(SILICON),
        ),
        # Wanted at most 1 mA from an op-amp that swings 3 V: (3 - 0.6) V/1 mA = 2k4, so 2k7.
        # Wanted 5 kHz: 1/(2 pi 2k7 5 kHz) = 11.8n.
        "diode_clipper": DiodeClipper(
            series_resistor=2.7e3, diodes=antiparallel(SILICON), shunt_capacitor=12e-9
        ),
        "tone_blend": ToneBlend(
            low_resistor=LOW_ARM_OHM, low_capacitor=LOW_ARM_FARAD, high_capacitor=HIGH_ARM_FARAD,
            high_resistor=HIGH_ARM_OHM, blend_pot=Pot(100e3, 0.5),
        ),
        # 16 Hz, two octaves under the low E.
        "level_control": LevelControl(input_capacitor=100e-9, level_pot=Pot(100e3, 0.5)),
    }  # fmt: skip
