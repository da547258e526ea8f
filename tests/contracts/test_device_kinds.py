"""Every kind of device has all that the package asks of one.

Authority: the attributes of :class:`vadist.devices.DeviceKind` as its docstring tells them.
"""

import dataclasses
import math

import numpy as np
import pytest
from example_devices import CIRCUITS

from vadist.circuits.network import Device, Network
from vadist.circuits.operating_point import solve_network
from vadist.devices import KINDS, DeviceKind, Resting
from vadist.devices.kind import GROUND
from vadist.parts import LIBRARY
from vadist.quantities import BOLTZMANN_J_PER_K
from vadist.stepping.circuit import build_circuit
from vadist.stepping.processor import Processor


def placed() -> dict[str, Device]:
    """One device of each kind, as a network places them."""
    return {d.kind: d for make in CIRCUITS.values() for d in make().devices}


POLARITIES = ("npn", "pnp", "n jfet", "p jfet", "n mosfet", "p mosfet")
RATE = 384_000

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
    for _ in range(20):
        rest = generator.uniform(-0.6, 0.6, controls)
        at, constants = generator.uniform(-0.6, 0.6, controls), about(kind, rest)
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
    for a, b, farad in kind.capacitances(at):
        assert {a, b} <= set(kind.terminals)
        assert 0.0 <= farad < math.inf
    sources = kind.noise(at, BOLTZMANN_J_PER_K * 300.0)
    assert sources, "a device without noise is a device whose noise was forgotten"
    for source in sources:
        assert source.place in {"port", "control", "terminals"}
        assert 0.0 <= source.density < math.inf
        assert set(source.terminals) <= set(kind.terminals)


@every_kind
def test_a_network_can_place_it_and_the_library_lists_it(kind: DeviceKind) -> None:
    assert kind.name in placed(), "give tests/support/example_devices.py a circuit with it"
    method = "opamp" if kind.symbol == "opamp" else kind.name
    assert callable(getattr(Network, method, None)), f"Network.{method} places it"
    assert LIBRARY[kind.library], "a kind of device without parts to choose from"
    assert all(model.figures for model in LIBRARY[kind.library].values())
    assert kind.symbol


def stepped(name: str, volts: np.ndarray) -> np.ndarray:
    """Output of a circuit, less its resting volts."""
    circuit = build_circuit(solve_network(CIRCUITS[name]()), RATE)
    return Processor(circuit, 1).process(volts) - circuit.rest_v


@pytest.mark.parametrize("name", CIRCUITS)
def test_silence_stays_silent(name: str) -> None:
    assert (stepped(name, np.zeros(500)) == 0.0).all()


@pytest.mark.parametrize("name", CIRCUITS)
def test_a_thousand_volts_either_way_are_solved(name: str) -> None:
    """A square of 500 Hz and noise; a sample that were not solved would be an error."""
    square = 1000.0 * np.sign(np.sin(2.0 * np.pi * 500.0 * np.arange(1600) / RATE + 0.1))
    noise = 1000.0 * np.random.default_rng(5).uniform(-1.0, 1.0, 400)
    assert np.isfinite(stepped(name, np.concatenate([square, noise]))).all()


@pytest.mark.parametrize("name", POLARITIES)
def test_an_amplifying_transistor_tells_how_far_its_node_goes(name: str) -> None:
    """Between the rail its load leads to and where the transistor is fully open."""
    solved = solve_network(CIRCUITS[name]())
    (placed,) = solved.resting_devices()
    upper, _, lower = placed.device.record.terminals
    at, swing = placed.resting, placed.device.record.swing
    saturation = 0.2 if upper == "collector" else 0.0
    low, high = swing(upper, at, 9.0)
    other_low, other_high = swing(lower, at, 9.0)
    if name[0] == "n":
        assert (low, high) == (pytest.approx(at.volts[lower] + saturation), 9.0)
        assert (other_low, other_high) == (0.0, pytest.approx(at.volts[upper] - saturation))
    else:
        assert (low, high) == (0.0, pytest.approx(at.volts[lower] - saturation))
        assert (other_low, other_high) == (pytest.approx(at.volts[upper] + saturation), 9.0)
    assert swing("gate", at, 9.0) is swing("base", at, 9.0) is None


def test_a_transistor_that_clips_does_not_tell_how_far() -> None:
    """At rest it carries nothing: what drives the node is another part."""
    for placed in solve_network(CIRCUITS["n mosfets clipping"]()).resting_devices():
        assert placed.device.record.swing("drain", placed.resting, 9.0) is None


@pytest.mark.parametrize("name", [n for n in POLARITIES if n[0] == "p"])
def test_the_other_polarity_is_the_mirror_image(name: str) -> None:
    """All volts counted from the other rail and reversed: one law serves both.

    The circuits are wired with supply and ground exchanged; the data of a PNP or P-channel are put
    in place of the other's.
    """
    other = {"pnp": "npn", "p jfet": "n jfet", "p mosfet": "n mosfet"}[name]
    network, mirrored = CIRCUITS[name](), CIRCUITS[other]()
    given = [dataclasses.replace(d, parameters=network.devices[0].parameters)
             for d in mirrored.devices]  # fmt: skip
    ohms = {r.part: r.value for r in network.resistors}
    mirrored = dataclasses.replace(
        mirrored,
        devices=given,
        resistors=[dataclasses.replace(r, value=ohms[r.part]) for r in mirrored.resistors],
    )
    volts, upside = solve_network(network).node_v, solve_network(mirrored).node_v
    for node in {*volts} - {"ground", "supply", "bias", "input"}:
        assert volts[node] == pytest.approx(9.0 - upside[node], abs=1e-12)


def test_no_entry_has_been_left_without_a_meaning() -> None:
    """A field added to the record is either required or has a default every kind may keep."""
    optional = {
        f.name for f in dataclasses.fields(DeviceKind) if f.default is not dataclasses.MISSING
    }
    kept = {"origin", "swing", "drawn", "figures", "pace", "conducts", "capacitances", "owns"}
    assert optional == kept
