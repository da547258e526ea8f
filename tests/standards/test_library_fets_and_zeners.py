"""Authorities: the points of data sheets, at which the package's own laws give what the fit says.

The fit has laws of its own (``part_laws``); of P-channel types all is taken as magnitudes.
"""

import pytest
from scipy.optimize import brentq

from vadist.circuits.network import Network
from vadist.devices.evaluate import currents_and_slopes
from vadist.parts import JFETS, MOSFETS, ZENERS
from vadist.parts.records import SheetPoint, part_records


def currents(kind: str, model, *control_v: float):
    """Port currents at control voltages, those of an N type."""
    network = Network()
    getattr(network, kind)("x", *(["a", "k"] if kind == "zener" else "dgs"), model)
    return currents_and_slopes([kind], [network.devices[0].parameters], control_v)[0]


def jfet_drain(model, gate_v: float, drain_v: float) -> float:
    return float(currents("jfet", model, -gate_v, -gate_v - drain_v)[1])


def mosfet_drain(model, gate_v: float, drain_v: float) -> float:
    return float(currents("mosfet", model, gate_v, -drain_v)[0])


def jfet_value(model, point: SheetPoint) -> float | None:
    at = point.condition
    if point.quantity == "rds_on":
        return 1e-6 / jfet_drain(model, 0.0, 1e-6)
    drain = at["drain_source_v"]
    if point.quantity == "idss":
        return jfet_drain(model, 0.0, drain)
    if point.quantity.startswith("vgs") and at["drain_a"] > 1e-8:  # above the gate's own current
        return brentq(lambda v: jfet_drain(model, v, drain) - at["drain_a"], 0.0,
                      model.pinch_off_v, xtol=1e-14)  # fmt: skip
    if point.quantity == "gfs":
        return (jfet_drain(model, -1e-6, drain) - jfet_drain(model, 1e-6, drain)) / 2e-6
    if point.quantity == "gos":
        return (jfet_drain(model, 0.0, drain + 0.1) - jfet_drain(model, 0.0, drain - 0.1)) / 0.2
    return None


def mosfet_value(model, point: SheetPoint) -> float | None:
    at = point.condition
    if point.quantity == "id_on":
        return mosfet_drain(model, at["gate_source_v"], at["drain_source_v"])
    if point.quantity == "rds_on":
        gate, wanted = at["gate_source_v"], at["drain_a"]
        volts = brentq(lambda v: mosfet_drain(model, gate, v) - wanted, 0.0,
                       gate - model.threshold_v, xtol=1e-14)  # fmt: skip
        return volts / wanted
    if point.quantity == "vsd":
        return brentq(lambda v: mosfet_drain(model, 0.0, -v) + at["source_a"], 0.3, 1.2)
    if point.quantity == "vth" and not model.channel_length_per_v:
        return brentq(lambda v: mosfet_drain(model, v, v) - at["drain_a"], 0.0, 5.0, xtol=1e-14)
    return None


def zener_value(model, point: SheetPoint) -> float | None:
    at = point.condition

    def volts(current: float) -> float:
        return brentq(lambda v: currents("zener", model, v)[0] - current, -20.0, 2.0, xtol=1e-14)

    if point.quantity == "vf":
        return volts(at["forward_a"])
    if point.quantity == "vz":
        return -volts(-at["reverse_a"])
    if point.quantity == "zz":
        i = at["reverse_a"]
        return (volts(-0.999 * i) - volts(-1.001 * i)) / (0.002 * i)
    if point.quantity == "leakage":
        return -float(currents("zener", model, -at["reverse_v"])[0])
    return None


@pytest.mark.parametrize(
    ("name", "model", "value", "least"),
    [
        *((name, model, jfet_value, 2) for name, model in JFETS.items()),
        *((name, model, mosfet_value, 2) for name, model in MOSFETS.items()),
        *((name, model, zener_value, 5) for name, model in ZENERS.items()),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_part_of_the_package_gives_what_its_fit_says(name, model, value, least) -> None:
    """0.1 %: a Zener diode's forward law carries what breaks down with it, a JFET's its gate."""
    told = 0
    for point in part_records()[name].points:
        found = value(model, point)
        if found is not None:
            print(
                f"{name} {point.quantity} {point.conditions}: {found:.6g}, fit {point.fitted:.6g}"
            )
            assert found == pytest.approx(point.fitted, rel=1e-3, abs=0.0)
            told += 1
    assert told >= least
