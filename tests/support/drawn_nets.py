"""What a drawing joins, read off its lines and dots alone, as a person reads it.

Lines that cross without a dot are not joined; a dot joins all that meets there; rails and the marks
where a row goes on join by name. Kirchhoff's side of the comparison is the network that is solved.
"""

from collections import Counter

from vadist.drawing.parts import RAIL, SUPPLY
from vadist.stages.wired import COMMON


class Union:
    """Sets that grow together."""

    def __init__(self):
        self.up = {}

    def find(self, item):
        while item in self.up:
            item = self.up[item]
        return item

    def join(self, one, other):
        one, other = self.find(one), self.find(other)
        if one != other:
            self.up[one] = other


def drawn_nets(page):
    """Each part's terminals with the net each is drawn to: {path: [{terminal: net}, ...]}."""
    union, edges = Union(), {e for wire in page.wires for e in wire}
    assert sum(len(wire) for wire in page.wires) == len(edges), "two wires on one line"
    at = {}
    for edge in sorted(edges):
        for point in edge:
            at.setdefault(point, []).append(edge)
    pins = {(p.x, p.y) for s in page.symbols if s.part.kind != "port" for p in s.pins}
    for point, met in at.items():
        lying = [e for e in met if e[0][1] == e[1][1]]
        upright = [e for e in met if e[0][1] != e[1][1]]
        if len(met) == 4 and point not in page.dots:
            assert point not in pins, "a crossing on a pin"
            union.join(*lying)
            union.join(*upright)
            continue
        assert len(met) < 3 or point in page.dots, f"a junction without a dot at {point}"
        for other in met[1:]:
            union.join(met[0], other)
    found, marks = {}, {}
    for symbol in page.symbols:
        if symbol.part.kind == "mark":
            side = 1 if symbol.mirrored else -1
            marks.setdefault(symbol.words[0].text, []).append((symbol.x, side))
            # The mark's circle touches the row's line where a wire or a port ends.
            near = (symbol.x if side == 1 else symbol.x + 1, symbol.y)
            near = near if near in at else (symbol.x, symbol.y)
            assert near in at, f"mark {symbol.words[0].text} touches no wire"
            union.join(at[near][0], ("mark", symbol.words[0].text))
        for pin in symbol.pins:
            point = (pin.x, pin.y)
            if point in at:
                union.join(("pin", point), at[point][0])
            if symbol.part.kind == RAIL:
                union.join(("pin", point), ("rail", symbol.part.variant))
    assert all(len(ends) == 2 for ends in marks.values()), "a row goes on nowhere"
    for symbol in page.symbols:
        part = symbol.part
        if part.path and part.kind not in (RAIL, "jack"):
            nets = {p.terminal: union.find(("pin", (p.x, p.y))) for p in symbol.pins}
            found.setdefault(part.path, []).append((part, nets))
            if part.kind == "switch" and part.variant in nets and COMMON in nets:
                union.join(nets[COMMON], nets[part.variant])
    return {
        path: [(part, {t: union.find(n) for t, n in nets.items()}) for part, nets in drawn]
        for path, drawn in found.items()
    }


def network_terminals(network, pots):
    """Each part's terminals with its node: {path: {terminal: node}}, inner junctions undone."""
    behind = {}
    found = {}
    for element in (*network.resistors, *network.capacitors, *network.inductors):
        part, _, end = element.part.rpartition(".")
        if end == "ohmic":
            behind[element.b] = element.a
        elif part in pots:
            ends = ("top", "wiper") if end == "upper" else ("wiper", "bottom")
            found.setdefault(part, {}).update(zip(ends, (element.a, element.b), strict=True))
        else:
            found[element.part] = {"one end": element.a, "other end": element.b}
    for device in network.devices:
        nodes = {t: behind.get(n, n) for t, n in device.nodes.items() if t != SUPPLY}
        if device.kind != "diodes":
            found[device.part] = nodes
            continue
        for way, string in zip(("forward", "reverse"), device.model, strict=True):
            if string is not None:
                ends = (nodes["a"], nodes["b"]) if way == "forward" else (nodes["b"], nodes["a"])
                name = device.part.removesuffix(f".{way}") + f".{way}"
                found[name] = {"anode": ends[0], "cathode": ends[1]}
    return found


def check_drawn(page, network):
    """Every part of the network is drawn exactly once, and joined to what it is joined to."""
    drawn = drawn_nets(page)
    parts = {path: copies[0][0] for path, copies in drawn.items()}
    pots = {path for path, part in parts.items() if part.kind == "pot"}
    wanted = network_terminals(network, pots)
    loose = leading_nowhere({p: copies[0][1] for p, copies in drawn.items()}, parts)
    for path in list(wanted):  # a diode that is one by its kind needs no direction
        plain = path.removesuffix(".forward")
        if path not in drawn and plain in drawn:
            wanted[plain] = wanted.pop(path)
    assert not set(wanted) - set(drawn)
    for path in set(drawn) - set(wanted) - {"supply.volts", "supply.bias"}:
        part, nets = drawn[path][0]
        # What lies along a wire, or leads nowhere, is no element of the network.
        twin = path.removesuffix(".reverse") + ".forward"
        idle = len(set(nets.values())) == 1 or path in loose or twin in loose
        assert part.kind == "switch" or idle, f"{path} is in no network"
    there, back = {}, {}
    for path, terminals in wanted.items():
        nets = drawn[path][0][1]
        assert set(terminals) <= set(nets), path
        # The network has but one half of a pot whose other one is shorted or leads nowhere.
        elsewhere = {
            net for other in wanted if other != path for net in drawn[other][0][1].values()
        }
        shorted = {nets[t] for t in terminals}
        assert all(
            nets[t] in shorted or nets[t] not in elsewhere for t in set(nets) - set(terminals)
        )
        for terminal, node in terminals.items():
            net = nets[terminal]
            assert there.setdefault(net, node) == node, f"{path}: {terminal} is drawn at {net}"
            assert back.setdefault(node, net) == net, f"{path}: {terminal} is not joined to {node}"
    for rail in ("ground", "supply", "bias"):
        net = drawn_rail(page, rail, drawn)
        assert net is None or there.get(net, network.held(rail)) == network.held(rail)


def leading_nowhere(nets, parts):
    """Parts with two ends of which one is joined to nothing, or to such parts alone."""
    left = {p: set(n.values()) for p, n in nets.items() if parts[p].kind != "switch"}
    # The two strings of a pair are one element.
    left = {p: n for p, n in left.items() if p.removesuffix(".reverse") + ".forward" not in left}
    found = set()
    while True:
        counts = Counter(net for ends in left.values() for net in ends)
        ends = {
            path
            for path, own in left.items()
            if len(own) == 2 and any(counts[net] == 1 and net[0] != "rail" for net in own)
        }
        if not ends:
            return found
        found |= ends
        left = {path: own for path, own in left.items() if path not in ends}


def drawn_rail(page, rail, drawn):
    """Net of a rail's symbols, where a part is drawn to them."""
    places = {(p.x, p.y) for s in page.symbols if s.part.variant == rail for p in s.pins}
    for symbol in page.symbols:
        for pin in symbol.pins:
            if (pin.x, pin.y) in places and symbol.part.path in drawn:
                return drawn[symbol.part.path][0][1][pin.terminal]
    return None
