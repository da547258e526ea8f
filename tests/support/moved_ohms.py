"""Resistances of turned knobs as functions of time, written independently of the renderer."""

import numpy as np

from vadist.designs.moves import parse_move
from vadist.parts import wiper_fraction

END_OHM = 0.01


def ohms_of(design, network, text):
    """Resistance of each of a moved knob's resistors, by part, as a function of seconds."""
    move = parse_move(text)
    at, positions = np.array(move.points).T
    control = design.controls[move.control]
    found = {}
    for place in control.moves:
        path = place.removeprefix("-")
        track = design.value(path).resistance

        def below(t, place=place):
            fraction = wiper_fraction(control.taper, float(np.interp(t, at, positions)))
            return 1.0 - fraction if place.startswith("-") else fraction

        def lower(t, below=below, track=track):
            return max(track * below(t), END_OHM)

        def upper(t, below=below, track=track):
            return max(track * (1.0 - below(t)), END_OHM)

        # A rheostat is one resistor, of its part's name.
        found |= {f"{path}.upper": upper, f"{path}.lower": lower, path: lower}
    return {r.part: found[r.part] for r in network.resistors if r.part in found}
