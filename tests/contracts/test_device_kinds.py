"""Every kind of device has all that the package asks of one.

Authority: the attributes of :class:`vadist.devices.DeviceKind` as its docstring tells them.
"""

import dataclasses
import math

import numpy as np
import pytest
from example_circuits import every_stage

from vadist.circuits.network import Network
from vadist.designs.chain import Chain
from vadist.designs.supply import Supply
from vadist.devices import KINDS, DeviceKind, Resting
from vadist.devices.kind import GROUND
from vadist.parts import LIBRARY
from vadist.quantities import BOLTZMANN_J_PER_K


def placed() -> dict[str, object]:
    """One device of each kind, as the stages place them on a stiff and on a moving supply."""
    found = {}
    for stage in every_stage().values():
        for supply in (Supply(), Supply(resistance=10.0)):
            found |= {d.kind: d for d in Chain([stage], supply).design().network().devices}
    return found


every_kind = pytest.mark.parametrize("kind", KINDS.values(), ids=lambda k: k.name)


def about(kind: DeviceKind, volts: list[float]) -> tuple[float, ...]:
    """The law's constants at a point of rest."""
    device = placed()[kind.name]
    assert len(device.parameters) == len(kind.parameters)
    return kind.at_rest(device.named, volts)


@every_kind
def test_the_law_gives_each_current_with_its_slopes(kind: DeviceKind) -> None:
    """From rest nothing has grown."""
    controls = len(kind.controls)
    constants = about(kind, [0.1] * controls)
    assert len(constants) == kind.constants
    found = np.reshape(kind.law(*np.zeros(controls), *constants), (kind.ports, 1 + controls))
    np.testing.assert_array_equal(found[:, 0], 0.0)
    assert (found[:, 1:] != 0.0).any(axis=1).all()
    assert kind.pace in (1, 2, 4)
    origin = kind.origin(placed()[kind.name].named)
    assert origin is None or len(origin) == controls


@every_kind
def test_slopes_are_the_derivatives_of_the_currents(kind: DeviceKind) -> None:
    """Central differences of the law itself, at points on both sides of its knees."""
    controls, step = len(kind.controls), 1e-6
    generator = np.random.default_rng(3)
    constants = about(kind, [0.0] * controls)
    for _ in range(20):
        at = generator.uniform(-0.6, 0.6, controls)
        found = np.reshape(kind.law(*at, *constants), (kind.ports, 1 + controls))
        for k in range(controls):
            move = step * np.eye(controls)[k]
            above = np.reshape(kind.law(*(at + move), *constants), found.shape)[:, 0]
            below = np.reshape(kind.law(*(at - move), *constants), found.shape)[:, 0]
            slope = (above - below) / (2.0 * step)
            scale = np.abs(found[:, 1:]).max(axis=1) + 1e-15
            np.testing.assert_allclose(found[:, 1 + k] / scale, slope / scale, atol=2e-4)


@every_kind
def test_terminals_are_named_alike_everywhere(kind: DeviceKind) -> None:
    device = placed()[kind.name]
    assert set(device.nodes) == set(kind.terminals)
    known = {*kind.terminals, GROUND}
    assert {t for pair in kind.controls for t in pair} <= known
    assert {t for injection in kind.injections for t in injection} <= set(kind.terminals)
    assert kind.owns in {"", *kind.terminals}


@every_kind
def test_limits_noise_and_what_varies_are_told(kind: DeviceKind) -> None:
    device = placed()[kind.name]
    limits = kind.limits(device.named)
    assert len(limits) == len(kind.controls)
    assert all(low <= high and step > 0.0 and growth > 0.0 for low, high, step, growth in limits)
    assert kind.varied.label
    assert set(kind.varied.powers) <= {*kind.parameters, "owned_farad"}
    at = Resting(
        device.model,
        device.named,
        dict.fromkeys(kind.terminals, 0.5),
        np.full(kind.ports, 1e-3),
        np.full((kind.ports, len(kind.controls)), 0.04),
    )
    sources = kind.noise(at, BOLTZMANN_J_PER_K * 300.0)
    assert sources, "a device without noise is a device whose noise was forgotten"
    for source in sources:
        assert source.place in {"port", "control", "terminals"}
        assert 0.0 <= source.density < math.inf
        assert set(source.terminals) <= set(kind.terminals)


@every_kind
def test_a_network_can_place_it_and_the_library_lists_it(kind: DeviceKind) -> None:
    assert kind.name in placed(), "give a stage of tests/support/example_circuits.py the new kind"
    method = "opamp" if kind.symbol == "opamp" else kind.name
    assert callable(getattr(Network, method, None)), f"Network.{method} places it"
    assert LIBRARY[kind.library], "a kind of device without parts to choose from"
    assert all(model.figures for model in LIBRARY[kind.library].values())
    assert kind.symbol


def test_no_entry_has_been_left_without_a_meaning() -> None:
    """A field added to the record is either required or has a default every kind may keep."""
    optional = {
        f.name for f in dataclasses.fields(DeviceKind) if f.default is not dataclasses.MISSING
    }
    assert optional == {"origin", "swing", "drawn", "figures", "pace", "conducts", "owns"}
