"""A section's differential equations, and what a step makes of them.

Authorities: nodal analysis at single frequencies (admittances 1/R, s C, 1/(s L), summed here from
the element list), which knows no states; scipy's matrix exponential on the augmented system of Van
Loan (IEEE Trans. Automatic Control 23, 1978); DOP853 on the state equations.
"""

import numpy as np
import pytest
from example_circuits import PUBLISHED_IS_A, PUBLISHED_VT_V, ideal_diode
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from vadist.circuits.network import GROUND, INPUT, DiodeString, Network
from vadist.circuits.operating_point import solve_all
from vadist.stepping.discretize import difference_equations
from vadist.stepping.state_space import StateSpace, state_space

RATE = 384_000.0
DIODE = ideal_diode(PUBLISHED_IS_A, PUBLISHED_VT_V)
# Where only coils meet, a leak of 1 pS gives a mode of 1e12/s, whose rounding shows.
STIFF = {"between two coils": 2e-7}


def network(*elements: tuple[str, str, str, float]) -> Network:
    """Resistors R, capacitors C and inductors L between nodes."""
    found = Network()
    kinds = {"R": found.resistor, "C": found.capacitor, "L": found.inductor}
    for name, a, b, value in elements:
        kinds[name[0]](name, a, b, value)
    return found


G, U = GROUND, INPUT
# Values follow from corners between 100 Hz and 20 kHz at 1 to 100 kilohm: 1/(2 pi 10k 1.6 kHz) is
# 10 nF, resonances 1/(2 pi sqrt(1 H 10 nF)) 1.6 kHz.
CIRCUITS = {
    "low-pass": [("R1", U, "a", 10e3), ("C1", "a", G, 10e-9)],
    "capacitor loop": [
        ("R1", U, "a", 10e3), ("C1", "a", "b", 10e-9), ("C2", "b", "c", 22e-9),
        ("C3", "c", "a", 4.7e-9), ("R2", "b", G, 22e3), ("R3", "c", G, 33e3), ("C4", "c", G, 1e-9),
    ],
    "loop through the input": [
        ("C1", U, "a", 10e-9), ("C2", "a", G, 22e-9), ("R1", "a", G, 10e3), ("C3", U, "b", 1e-9),
        ("C4", "a", "b", 3.3e-9), ("R2", "b", G, 100e3),
    ],
    "parallel capacitors": [
        ("R1", U, "a", 10e3), ("C1", "a", G, 10e-9), ("C2", "a", G, 1e-12), ("C3", "a", G, 22e-9),
        ("R2", "a", G, 100e3),
    ],
    "divider of capacitors": [("C1", U, "a", 10e-9), ("C2", "a", G, 22e-9), ("R1", "a", G, 1e9)],
    "coil into cable": [
        ("R1", U, "a", 6e3), ("L1", "a", "b", 1.0), ("C1", "b", G, 10e-9), ("R2", "b", G, 100e3),
        ("C2", "b", "c", 10e-9), ("R3", "c", G, 100e3),
    ],
    "between two coils": [
        ("R1", U, "a", 6e3), ("L1", "a", "b", 1.0), ("L2", "b", "c", 0.5), ("C1", "c", G, 10e-9),
        ("R2", "c", G, 100e3),
    ],
    "coil from the input": [("L1", U, "a", 1.0), ("R1", "a", G, 10e3), ("C1", "a", G, 1e-9)],
    "coil across a capacitor": [
        ("R1", U, "a", 100e3), ("L1", "a", G, 1.0), ("C1", "a", G, 10e-9),
    ],
    "critically damped": [("R1", U, "a", 20e3), ("L1", "a", "b", 1.0), ("C1", "b", G, 10e-9)],
    "far apart": [
        ("R1", U, "a", 10.0), ("C1", "a", G, 100e-12), ("R2", "a", "b", 1e6), ("C2", "b", G, 47e-6),
    ],
}  # fmt: skip


def nodal(net: Network, hz: float, into: dict[str, complex] | None = None) -> dict[str, complex]:
    """Volts of the nodes for one volt at the input, or for currents into nodes instead."""
    nodes = sorted(
        {n for e in [*net.resistors, *net.capacitors, *net.inductors] for n in (e.a, e.b)}
        - {*net.rails, INPUT}
    )
    s, y = 2j * np.pi * hz, np.zeros((len(nodes), len(nodes)), complex)
    right = np.array([(into or {}).get(n, 0.0) for n in nodes], complex)
    admittances = [(e, 1.0 / e.value) for e in net.resistors]
    admittances += [(e, s * e.value) for e in net.capacitors]
    admittances += [(e, 1.0 / (s * e.value)) for e in net.inductors]
    for e, value in admittances:
        for here, there in ((e.a, e.b), (e.b, e.a)):
            if here in nodes:
                y[nodes.index(here), nodes.index(here)] += value
                if there in nodes:
                    y[nodes.index(here), nodes.index(there)] -= value
                elif there == INPUT and into is None:
                    right[nodes.index(here)] += value
    return dict(zip(nodes, np.linalg.solve(y, right), strict=True))


def equations(net: Network) -> tuple[StateSpace, tuple[str, ...]]:
    ((section, point),) = solve_all(net)
    return state_space(section, point, point.slopes, section.unknowns), section.unknowns


def transfer(space: StateSpace, hz: float, into: np.ndarray, through: np.ndarray) -> np.ndarray:
    """Of the outputs from signals (B, M) or remainders (C, N)."""
    s = 2j * np.pi * hz
    x = np.linalg.solve(s * np.eye(len(space.A)) - space.A, into) if len(space.A) else into
    return space.L @ x + through


@pytest.mark.parametrize("name", CIRCUITS)
def test_response_is_that_of_nodal_analysis(name: str) -> None:
    """10 Hz to 100 kHz, every node."""
    net = network(*CIRCUITS[name])
    space, unknowns = equations(net)
    assert (space.modes.real < 0.0).all()
    worst = 0.0
    for hz in np.geomspace(10.0, 1e5, 9):
        found = transfer(space, hz, space.B, space.M)[:, 0]
        wanted = nodal(net, hz)
        worst = max(worst, *(abs(found[k] - wanted[n]) for k, n in enumerate(unknowns)))
    print(f"{name}: {len(space.A)} states, within {worst:.1e}")
    assert worst < STIFF.get(name, 1e-13)


@pytest.mark.parametrize(
    ("name", "states"),
    [
        ("capacitor loop", 3), ("loop through the input", 2), ("parallel capacitors", 1),
        ("divider of capacitors", 1), ("coil into cable", 3), ("between two coils", 2),
        ("critically damped", 2),
    ],
)  # fmt: skip
def test_charges_are_counted_and_not_capacitors(name: str, states: int) -> None:
    """As many states as nodes that hold charge, and coils: of two coils in series one is not."""
    space, _ = equations(network(*CIRCUITS[name]))
    fast = np.abs(np.linalg.eigvals(space.A)) > 1e12
    assert len(space.A) - fast.sum() == states


def test_what_a_port_adds_and_what_it_is_controlled_by() -> None:
    """A diode across a capacitor of a loop: a remainder of one ampere against nodal analysis."""
    elements = CIRCUITS["capacitor loop"]
    net = network(*elements)
    net.diodes("d", "b", "c", DiodeString(DIODE), None)
    ((section, point),) = solve_all(net)
    space = state_space(section, point, np.zeros_like(point.slopes), section.unknowns)
    plain = network(*elements)
    ((a, b),) = section.devices[0].controls
    (injection,) = section.devices[0].injections
    for hz in np.geomspace(10.0, 1e5, 7):
        found = transfer(space, hz, space.C, space.N)[:, 0]
        wanted = nodal(plain, hz, {n: complex(w) for n, w in injection.items()})
        for k, node in enumerate(section.unknowns):
            assert found[k] == pytest.approx(wanted[node], rel=1e-8, abs=1e-6)
        s = 2j * np.pi * hz
        x = np.linalg.solve(s * np.eye(len(space.A)) - space.A, space.C[:, 0])
        across = space.D @ x + space.K[:, 0]
        assert across[0] == pytest.approx(wanted.get(a, 0.0) - wanted.get(b, 0.0), rel=1e-8)


@pytest.mark.parametrize("name", CIRCUITS)
@pytest.mark.parametrize("samples", [1, 2, 4])
def test_a_step_is_that_of_the_matrix_exponential(name: str, samples: int) -> None:
    """A cubic of any four samples, and then as many steps further as samples come in one."""
    ((section, point),) = solve_all(network(*CIRCUITS[name]))
    space = state_space(section, point, point.slopes, section.unknowns)
    stepped = difference_equations(section, point, RATE, section.unknowns, (samples,))
    n, h = len(space.A), 1.0 / (RATE * samples)
    rng = np.random.default_rng(5)
    x, heard = rng.standard_normal(n), rng.standard_normal(3 + samples)
    wanted = x.copy()
    for k in range(samples):
        cubic = np.linalg.solve(
            np.vander(np.arange(-2.0, 2.0), increasing=True), heard[k : k + 4]
        ) * h ** -np.arange(4.0)
        # x' = A x + B (c0 + c1 t + c2 t^2 + c3 t^3), with the powers of t as states of their own.
        wide = np.zeros((n + 4, n + 4))
        wide[:n, :n], wide[:n, n] = space.A, space.B[:, 0]
        wide[n : n + 3, n + 1 :] = np.diag([1.0, 1.0, 1.0])
        start = np.concatenate([wanted, cubic * [1.0, 1.0, 2.0, 6.0]])
        scale = np.concatenate([np.ones(n), h ** np.arange(4.0)])
        scaled = wide * scale[:, None] / scale[None, :]
        wanted = (expm(scaled * h) @ (start * scale))[:n]
    found = x + stepped.A @ x + stepped.B @ heard
    np.testing.assert_allclose(found, wanted, rtol=0.0, atol=STIFF.get(name, 1e-12))


def test_a_step_takes_the_current_as_a_line_and_as_a_parabola() -> None:
    """Remainders between two steps against DOP853: the line, and all of the parabola."""
    net = network(*CIRCUITS["capacitor loop"])
    net.diodes("d", "b", "c", DiodeString(DIODE), None)
    ((section, point),) = solve_all(net)
    stepped = difference_equations(section, point, RATE, section.unknowns, (1,))
    space = state_space(section, point, stepped.port_slopes, section.unknowns)
    h, (before2, before, now) = 1.0 / RATE, (2e-4, -1e-4, 3e-4)
    for theta in (0.0, 1.0):
        bend = theta * 0.5 * (now - 2.0 * before + before2)

        def rate(t, x, bend=bend):
            share = t / h
            current = before + (now - before) * share + bend * share * (share - 1.0)
            return space.A @ x + space.C[:, 0] * current

        true = solve_ivp(rate, (0.0, h), np.zeros(len(space.A)), "DOP853", rtol=1e-12, atol=1e-15)
        found = (
            stepped.C0[:, 0] * before + stepped.C1[:, 0] * now
            + stepped.CQ[:, 0] * theta * (before2 - 2.0 * before + now)
        )  # fmt: skip
        np.testing.assert_allclose(found, true.y[:, -1], rtol=1e-9, atol=1e-13)
