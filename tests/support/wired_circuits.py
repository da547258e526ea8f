"""Circuits that no built-in stage can express, as wiring lists.

Values are calculated; corners are 1/(2 pi R C), resonances 1/(2 pi sqrt(L C)).
"""

from vadist.designs.design import Design
from vadist.designs.files import parse_design

LISTS = {
    # A clean path beside a distorted one, mixed by an inverting op-amp. Wanted 10k into the dirty
    # path and a gain of 15: 150k. Mixed two parts dirty, one clean: 22k and 47k, into 33k. Bass
    # wanted 30 Hz at 10k || 47k = 8k2: 1/(2 pi 8k2 30 Hz) = 647n, so 680n.
    "parallel_clean": """
into = "capacitor 680n: source to in"
dirty_in = "resistor 10k: in to sum_dirty"
dirty_back = "resistor 150k: sum_dirty to dirty"
clip = "diodes 1N4148: sum_dirty to dirty"
dirty_opamp = "opamp TL072: plus to bias, minus to sum_dirty, output to dirty"
dirty_mix = "resistor 22k: dirty to sum"
clean_mix = "resistor 47k: in to sum"
back = "resistor 33k: sum to output"
mix_opamp = "opamp TL072: plus to bias, minus to sum, output to output"
""",
    # Two transistors, the second's emitter fed back to the first's base (shunt-series feedback).
    # Second: wanted 0.5 mA and 1.1 V at its emitter, 2k2; collector near 5 V: 4 V/0.5 mA = 8k2.
    # First: collector at 1.1 + 0.6 V; wanted 0.1 mA: 7.3 V/0.1 mA = 73k, so 68k. Base at 0.6 V:
    # 0.5 V over 100k is 5 uA, less 0.7 uA of base current leaves 0.6 V/4.3 uA = 140k, so 150k.
    # Wanted a current gain of 1 + 100k/2k2 = 46, 33 dB, half of it: 4k7 at the input.
    "feedback_pair": """
into = "capacitor 1u: source to coupled"
series = "resistor 4k7: coupled to base"
q1 = "transistor 2N5088: collector to middle, base to base, emitter to ground"
load1 = "resistor 68k: supply to middle"
q2 = "transistor 2N3904: collector to output, base to middle, emitter to tail"
load2 = "resistor 8k2: supply to output"
tail = "resistor 2k2: tail to ground"
around = "resistor 100k: tail to base"
base_leak = "resistor 150k: base to ground"
""",
    # A phase splitter into two diodes: both half-waves upwards, an octave. Base wanted at 2.7 V:
    # 9 V 100k/(100k + 220k) = 2.8 V; 1 mA through 2k2 each. 1u into 10k: 16 Hz.
    "octave": """
into = "capacitor 100n: source to base"
above = "resistor 220k: supply to base"
below = "resistor 100k: base to ground"
split = "transistor BC547B: collector to upper, base to base, emitter to lower"
upper_load = "resistor 2k2: supply to upper"
lower_load = "resistor 2k2: lower to ground"
upper_out = "capacitor 1u: upper to left"
lower_out = "capacitor 1u: lower to right"
left_leak = "resistor 10k: left to ground"
right_leak = "resistor 10k: right to ground"
one = "diode 1N34A: anode to left, cathode to output"
two = "diode 1N34A: anode to right, cathode to output"
fall = "resistor 47k: output to ground"
smooth = "capacitor 1n: output to ground"
""",
    # A resonance with a coil, limited by unequal diodes. Wanted 800 Hz from 500 mH:
    # 1/((2 pi 800 Hz)^2 500m) = 79n, so 82n; wanted a quality of 4: 4 x sqrt(500m/82n) = 9k9.
    "resonance": """
series = "resistor 10k: source to output"
coil = "inductor 500m: output to winding"
winding = "resistor 47R: winding to ground"
tuned = "capacitor 82n: output to ground"
limit = "diodes {forward = {type = '1N4148', count = 2}, reverse = '1N4148'}: output to ground"
""",
    # A low-pass that peaks, its output fed back to its first node through a capacitor. Wanted
    # 700 Hz and a quality of 1.5 with equal resistors of 22k: 1/(2 pi 700 Hz 22k) = 10.3n is the
    # mean of two capacitors (2 x 1.5)^2 = 9 times apart: 33n and 3n3. A diode against an LED over
    # the first; a switch that lowers the corner by 2n2 more.
    "loop": """
first = "resistor 22k: source to between"
second = "resistor 22k: between to plus"
back = "capacitor 33n: between to output"
limit = "diodes {forward = '1N4148', reverse = 'red LED'}: between to output"
shunt = "capacitor 3n3: plus to bias"
voice = "switch dark: common to plus, bright to nothing, dark to extra"
extra = "capacitor 2n2: extra to bias"
follower = "opamp TL072: plus to plus, minus to output, output to output"
""",
}

AT_BIAS = ("loop",)
"""Lists that are driven at the bias rail."""


DRIVES = {
    "parallel_clean": 4.0, "feedback_pair": 1.0, "octave": 4.0, "resonance": 20.0, "loop": 8.0,
}  # fmt: skip
"""How much louder than a guitar each is driven, so that its devices bend."""


def circuit(name: str) -> Design:
    """One of the circuits as a design."""
    rests = 'source = {rests_at = "bias"}\n' if name in AT_BIAS else ""
    return parse_design(
        f'name = "{name}"\n{rests}[[stage]]\nname = "block"\ntype = "wired"\n[stage.parts]\n'
        + LISTS[name]
    )
