"""Wiring lists at random: any parts between any nodes, as a strategy of hypothesis."""

from itertools import pairwise

from hypothesis import strategies as st

from vadist.devices import KINDS
from vadist.parts import LIBRARY
from vadist.stages.wired import COMMON, ENDS, NOWHERE, PART_KINDS, RAILS

# IEC 60063, transcribed.
E6 = (10, 15, 22, 33, 47, 68)
INNER = ("a", "b", "c", "d")
NODES = ("source", "output", *INNER)
# Most parts touch the signal; a list of rails alone is refused at once.
WEIGHTED = (*NODES, *NODES, *NODES, *RAILS)


@st.composite
def values(draw, kind):
    """A value for a kind of part, as it is written."""
    record = PART_KINDS[kind]
    if record.value == "part":
        unit, decades = {"ohm": ("R", (0, 6)), "F": ("p", (1, 7)), "H": ("m", (0, 3))}[record.unit]
        number = draw(st.sampled_from(E6)) * 10 ** draw(st.integers(*decades))
        return draw(st.sampled_from([f"{number}{unit}"] * 9 + [f"0{unit}"]))
    if record.value == "pot":
        track = f"{draw(st.sampled_from((10, 25, 50)))}0k"
        wiper = draw(st.sampled_from((0.0, 0.3, 0.5, 1.0)))
        return f"{{resistance = '{track}', wiper = {wiper}}}"
    table = "diodes" if record.value in ("diode", "diodes") else KINDS[record.value].library
    return draw(st.sampled_from(sorted(LIBRARY[table])))


@st.composite
def lines(draw):
    """A line of a wiring list; some are left out, some are wrong in themselves."""
    kind = draw(st.sampled_from(sorted(PART_KINDS)))
    node = st.sampled_from(WEIGHTED)
    if kind == "switch":
        places = [draw(st.sampled_from((*NODES, NOWHERE))) for _ in range(2)]
        return f"switch up: {COMMON} to {draw(node)}, up to {places[0]}, down to {places[1]}"
    terminals = PART_KINDS[kind].terminals
    nodes = [draw(node) for _ in terminals]
    if len(set(nodes)) == 1 and draw(st.integers(0, 9)):
        nodes[0] = draw(st.sampled_from([n for n in NODES if n != nodes[0]]))
    wires = (
        " to ".join(nodes)
        if terminals == ENDS
        else ", ".join(f"{t} to {n}" for t, n in zip(terminals, nodes, strict=True))
    )
    value = draw(values(kind)) if draw(st.integers(0, 19)) else "none"
    return f"{kind} {value}: {wires}"


@st.composite
def designs(draw):
    """TOML of a design of one such stage, between a source and a load.

    In most lists a ladder leads from source to output, and a resistor to a rail from every node
    that would lead nowhere, or from every node: without, nearly all would be refused.
    """
    listed = draw(st.lists(lines(), min_size=1, max_size=8))
    if draw(st.integers(0, 3)):
        steps = ("source", *draw(st.permutations(INNER))[: draw(st.integers(0, 3))], "output")
        for one, other in pairwise(steps):
            kind = draw(st.sampled_from(("resistor", "capacitor")))
            listed.append(f"{kind} {draw(values(kind))}: {one} to {other}")
    words = " ".join(listed).replace(",", " ").split()
    least = draw(st.sampled_from((0, 1, 1, 99, 99)))
    for node in INNER:
        if 0 < words.count(node) <= least:
            rail = draw(st.sampled_from(RAILS))
            listed.append(f"resistor {draw(values('resistor'))}: {node} to {rail}")
    parts = "\n".join(f'p{k} = "{line}"' for k, line in enumerate(listed))
    rests = draw(st.sampled_from(("ground", "bias")))
    ohms = draw(st.sampled_from(("0R", "10k")))
    return (
        f'name = "random"\n[source]\nresistance = "{ohms}"\nrests_at = "{rests}"\n'
        f'[[stage]]\nname = "block"\ntype = "wired"\n[stage.parts]\n{parts}\n'
    )
