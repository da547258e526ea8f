"""The built-in stages written a second time, by hand, as wiring lists, with the same values.

Values are those of ``example_circuits.every_stage``, where each is calculated. Parts and nodes are
named, and parts listed, as the stages do it, so that not even a rounding differs.
"""

LISTS = {
    "coupling_high_pass": """
capacitor = "capacitor 100n: source to output"
bias_resistor = "resistor 100k: output to bias"
""",
    "emitter_follower": """
input_capacitor = "capacitor 22n: source to coupled"
bias_resistor = "resistor 1M: coupled to bias"
base_resistor = "resistor 1k: coupled to base"
transistor = "transistor 2N3904: collector to supply, base to base, emitter to output"
emitter_resistor = "resistor 10k: output to ground"
""",
    "transistor_boost": """
input_capacitor = "capacitor 680n: source to coupled"
base_resistor = "resistor 2k2: coupled to base"
emitter_resistor = "resistor 150R: emitter to ground"
feedback_resistor = "resistor 120k: output to base"
collector_resistor = "resistor 3k9: supply to output"
transistor = "transistor 2N3904: collector to output, base to base, emitter to emitter"
ground_resistor = "resistor 39k: base to ground"
rolloff_capacitor = "capacitor 220p: output to base"
""",
    "opamp_gain": """
opamp = "opamp TL072: plus to source, minus to inverting, output to output"
drive_pot = "rheostat 100k: output to drive"
feedback_resistor = "resistor 12k: drive to inverting"
feedback_capacitor = "capacitor 220p: output to inverting"
leg_resistor = "resistor 1k2: inverting to leg"
leg_capacitor = "capacitor 470n: leg to bias"
""",
    "feedback_clipper": """
opamp = "opamp TL072: plus to source, minus to inverting, output to output"
drive_pot = "rheostat 250k: output to drive"
feedback_resistor = "resistor 33k: drive to inverting"
feedback_capacitor = "capacitor 68p: output to inverting"
leg_resistor = "resistor 3k3: inverting to leg"
leg_capacitor = "capacitor 150n: leg to bias"
diodes = "diodes 1N4148: output to inverting"
""",
    "diode_clipper": """
series_resistor = "resistor 2k7: source to output"
shunt_capacitor = "capacitor 12n: output to bias"
diodes = "diodes 1N4148: output to bias"
""",
    "tone_blend": """
low_resistor = "resistor 27k: source to low_arm"
low_capacitor = "capacitor 15n: low_arm to bias"
high_capacitor = "capacitor 3n3: source to high_arm"
high_resistor = "resistor 33k: high_arm to bias"
blend_pot = "pot 100k: top to high_arm, wiper to output, bottom to low_arm"
""",
    "level_control": """
input_capacitor = "capacitor 100n: source to top"
level_pot = "pot 100k: top to top, wiper to output, bottom to ground"
""",
}
