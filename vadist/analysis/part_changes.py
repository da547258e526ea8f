"""A network with one part a little larger or smaller, and what to call the part."""

import dataclasses
from collections.abc import Iterator
from typing import Any

from vadist.circuits.network import Device, Network, TwoTerminal
from vadist.designs.describing import string_words, value_words
from vadist.designs.design import Design
from vadist.errors import DesignError
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
    """Part path -> what of it is varied: its value, or of a device what its kind says."""
    varied: dict[str, str] = {}
    for kind in TWO_TERMINALS:
        for element in getattr(network, kind):
            if not element.part.endswith(".ohmic"):
                varied.setdefault(part_path(element.part), "value")
    for device in network.devices:
        varied[part_path(device.part)] = device.record.varied.label
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
    powers = device.record.varied.powers
    values = [v * factor ** powers.get(k, 0.0) for k, v in device.named.items()]
    farad = device.owned_farad * factor ** powers.get("owned_farad", 0.0)
    return dataclasses.replace(device, parameters=tuple(values), owned_farad=farad)


def pairs_of_changes(network: Network, step: float) -> Iterator[tuple[str, Network, Network]]:
    """Each part with the network in which it is larger, and smaller, by a small ratio."""
    for path in changeable_parts(network):
        yield path, changed(network, path, 1.0 + step), changed(network, path, 1.0 / (1.0 + step))


def value_text(design: Design, path: str) -> str:
    """A part's value as the trade writes it.

    Examples
    --------
    >>> from vadist.designs.files import load_design
    >>> design = load_design("boosted_hard_clipper")
    >>> value_text(design, "clipper.shunt_capacitor"), value_text(design, "gain.opamp")
    ('15n', 'TL072')
    >>> value_text(design, "blend.blend_pot"), value_text(design, "clipper.diodes")
    ('100k pot', '1N4148')
    """
    try:
        value, info = design.value(path), design.field_info(path)
    except DesignError:
        return ""
    if isinstance(value, Pot):
        return f"{write_quantity(value.resistance, 'ohm')} pot"
    if isinstance(value, DiodePair):
        texts = [string_words(s) for s in (value.forward, value.reverse) if s is not None]
        return " / ".join(dict.fromkeys(texts))
    return value_words(info, value)
