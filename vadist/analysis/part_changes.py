"""A network with one part a little larger or smaller, and what to call the part."""

import dataclasses
from collections.abc import Iterator
from typing import Any

from vadist.design import Design
from vadist.errors import DesignError
from vadist.network import Device, DiodeString, Network, TwoTerminal
from vadist.quantities import write_quantity
from vadist.stages.stage import DiodePair, Pot

TWO_TERMINALS = ("resistors", "capacitors", "inductors")


def part_path(name: str) -> str:
    """Path of the part an element belongs to: both halves of a pot's track are the pot.

    >>> part_path("blend.blend_pot.upper")
    'blend.blend_pot'
    """
    return ".".join(name.split(".")[:2])


def changeable_parts(network: Network) -> dict[str, str]:
    """Part path -> what of it is varied.

    Resistors, pots, capacitors and inductors are varied in value, an op-amp in gain-bandwidth, a
    transistor in current gain, diodes in saturation current.
    """
    varied: dict[str, str] = {}
    for kind in TWO_TERMINALS:
        for element in getattr(network, kind):
            if not element.part.endswith(".ohmic"):
                varied.setdefault(part_path(element.part), "value")
    words = {"opamp": "GBW", "transistor": "beta", "diodes": "Is"}
    for device in network.devices:
        varied[part_path(device.part)] = words[device.kind]
    return varied


def changed(network: Network, path: str, factor: float) -> Network:
    """Return the network with one part's value multiplied by a factor."""
    lists: dict[str, Any] = {
        kind: [_scaled(e, factor) if _is(e.part, path) else e for e in getattr(network, kind)]
        for kind in TWO_TERMINALS
    }
    devices = [_scaled_device(d, factor) if _is(d.part, path) else d for d in network.devices]
    return dataclasses.replace(network, devices=devices, **lists)


def _is(name: str, path: str) -> bool:
    return part_path(name) == path and not name.endswith(".ohmic")


def _scaled(element: TwoTerminal, factor: float) -> TwoTerminal:
    return dataclasses.replace(element, value=element.value * factor)


def _scaled_device(device: Device, factor: float) -> Device:
    if device.kind == "opamp":
        # Gain-bandwidth is transconductance over compensation capacitance.
        return dataclasses.replace(device, owned_farad=device.owned_farad / factor)
    values = list(device.parameters)
    if device.kind == "transistor":
        # The gain at every current: both parts of the base current, as specimens differ.
        values[2] /= factor
        values[5] /= factor
    else:
        values[0] *= factor
        values[2] *= factor
    return dataclasses.replace(device, parameters=tuple(values))


def pairs_of_changes(network: Network, step: float) -> Iterator[tuple[str, Network, Network]]:
    """Each part with the network in which it is larger, and smaller, by a small ratio."""
    for path in changeable_parts(network):
        yield path, changed(network, path, 1.0 + step), changed(network, path, 1.0 / (1.0 + step))


def value_text(design: Design, path: str) -> str:
    """A part's value as the trade writes it.

    Examples
    --------
    >>> from vadist.design_files import load_design
    >>> design = load_design("boosted_hard_clipper")
    >>> value_text(design, "clipper.shunt_capacitor"), value_text(design, "gain.opamp")
    ('15n', 'TL072')
    >>> value_text(design, "blend.blend_pot"), value_text(design, "clipper.diodes")
    ('100k pot', '1N4148')
    """
    try:
        value, unit = design.value(path), design.field_info(path).unit
    except DesignError:
        return ""
    if isinstance(value, Pot):
        return f"{write_quantity(value.resistance, 'ohm')} pot"
    if isinstance(value, DiodePair):
        texts = [_string_text(s) for s in (value.forward, value.reverse) if s is not None]
        return " / ".join(dict.fromkeys(texts))
    if isinstance(value, int | float):
        return write_quantity(float(value), unit)
    return str(getattr(value, "name", value))


def _string_text(string: DiodeString) -> str:
    text = string.model.name
    if string.count > 1:
        text = f"{string.count}× {text}"
    return f"{text} (×{string.parallel})" if string.parallel > 1 else text
