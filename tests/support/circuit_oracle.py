"""A whole network as one differential-algebraic system, integrated by SUNDIALS IDA.

Independent of the package: it reads element lists and model data, and writes Kirchhoff's current
law, the device laws (Shockley; Gummel and Poon; the square law; a one-pole op-amp with tanh
limiting) and their Jacobian by itself, undivided and continuous in time.
"""

from collections.abc import Callable

import numpy as np
from device_laws import jfet_currents, mosfet_current, zener_current

from vadist.circuits.network import SWING_KNEE_V, Network
from vadist.designs.design import Design
from vadist.stages import DiodePair

BOLTZMANN, CHARGE, KELVIN = 1.380649e-23, 1.602176634e-19, 300.0
VT = BOLTZMANN * KELVIN / CHARGE

_EULER_S, _EULER_STEPS = 1e-9, 6
# Of the first moments after switch-on.


def gummel_poon(vbe, vbc, model, exp=lambda x: np.exp(min(x, 500.0)), sqrt=np.sqrt, vt=VT):
    """Base and collector current of a transistor, each with its slopes in vbe and vbc.

    H. K. Gummel, H. C. Poon, Bell System Technical Journal 49(5), 1970 (from memory, not located),
    inside the base resistance: two diodes make each half of the base current, and the base charge
    qb, the root of qb^2 = q1 qb + q2 with q2 = q1^2 If/IKF, divides what is carried.
    """
    saturation, leak_e, leak_c = (
        model.saturation_current_a,
        model.emitter_leakage_a,
        model.collector_leakage_a,
    )
    diodes = {}
    for name, volts, size, n in (
        ("f", vbe, saturation, 1),
        ("r", vbc, saturation, 1),
        ("e", vbe, leak_e, 2),
        ("c", vbc, leak_c, 2),
    ):
        e = exp(volts / (n * vt))
        diodes[name] = (size * (e - 1), size * e / (n * vt))
    (i_f, g_f), (i_r, g_r), (i_e, g_e), (i_c, g_c) = (diodes[k] for k in "frec")
    q1 = 1 / (1 - vbc / model.early_voltage_v)
    dq1 = q1 * q1 / model.early_voltage_v
    q2 = i_f / model.knee_current_a
    qb = q1 / 2 * (1 + sqrt(1 + 4 * q2))
    # Implicit slopes of qb^2 - q1 qb - q1^2 q2 = 0.
    bend = 2 * qb - q1
    qb_be = q1 * q1 * g_f / model.knee_current_a / bend
    qb_bc = (qb + 2 * q1 * q2) * dq1 / bend
    carried = (i_f - i_r) / qb
    back = i_r / model.reverse_beta + i_c
    g_back = g_r / model.reverse_beta + g_c
    base = (i_f / model.forward_beta + i_e + back, g_f / model.forward_beta + g_e, g_back)
    collector = (
        carried - back,
        (g_f - carried * qb_be) / qb,
        (-g_r - carried * qb_bc) / qb - g_back,
    )
    return base, collector


def _still(_):
    return 0.0


class CircuitOracle:
    """Residual, Jacobian and solution of a network.

    ``ohms`` are functions of time, by part, of resistors that change during the solution.
    """

    def __init__(
        self,
        network: Network,
        models: dict[str, object],
        ohms: dict[str, Callable[[float], float]] | None = None,
    ):
        self.network, self.models, self.ohms = network, models, ohms or {}
        fixed = network.rails
        names = {"input"}
        for e in [*network.resistors, *network.capacitors, *network.inductors]:
            names |= {e.a, e.b}
        for d in network.devices:
            names |= {n for pair in d.controls for n in pair}
            names |= {n for inj in d.injections for n in inj}
        self.free = sorted(names - set(fixed) - {"input"})
        self.index = {n: k for k, n in enumerate(self.free)}
        self.fixed = fixed
        self.outputs = {d.owned_node for d in network.devices if d.owned_node}
        n = len(self.free)
        self.size = n + len(network.inductors)
        self.known = (*fixed, "input")
        columns = self.size + len(self.known)
        self.known_column = {name: self.size + k for k, name in enumerate(self.known)}
        self.G, self.C = np.zeros((self.size, columns)), np.zeros((self.size, columns))
        self.changing = []
        for r in network.resistors:
            if r.part in self.ohms:
                one = np.zeros_like(self.G)
                self._stamp(one, r.a, r.b, 1.0)
                self.changing.append((one, self.ohms[r.part]))
            else:
                self._stamp(self.G, r.a, r.b, 1.0 / r.value)
        for c in network.capacitors:
            self._stamp(self.C, c.a, c.b, c.value)
        for k, coil in enumerate(network.inductors):
            row = n + k
            for node, sign in ((coil.a, 1.0), (coil.b, -1.0)):
                if node in self.index and node not in self.outputs:
                    self.G[self.index[node], row] += sign
                self.G[row, self.column(node)] += sign
            self.C[row, row] = -coil.value
        self.devices = [(d, models[d.part]) for d in network.devices]
        for d, model in self.devices:
            if d.kind.startswith("opamp"):
                # 1 F compensation: C dv/dt = SR tanh(...) - leak - limits, divided by C.
                row = self.index[d.owned_node]
                leak = 2 * np.pi * model.gain_bandwidth_hz / model.open_loop_gain
                self.C[row, row] += 1.0
                self.G[row, row] += leak
                self.G[row, self.known_column[network.reference]] -= leak
        # What op-amps draw at rest, out of a supply rail that moves.
        self.drawn = np.zeros(self.size)
        if "supply" in network.fed:
            for d, model in self.devices:
                if d.kind.startswith("opamp"):
                    self.drawn[self.index[network.held("supply")]] += model.supply_current_a

    def conductance(self, t):
        """Stamps of all resistors at a time."""
        if not self.changing:
            return self.G
        return self.G + sum(one / ohm(t) for one, ohm in self.changing)

    def column(self, node):
        return self.index[node] if node in self.index else self.known_column[node]

    def _stamp(self, matrix, a, b, value):
        for here, there in ((a, b), (b, a)):
            if here in self.index and here not in self.outputs:
                row = self.index[here]
                matrix[row, self.column(here)] += value
                matrix[row, self.column(there)] -= value

    def device_currents(self, full):
        """Current leaving each free node into the devices, and its derivative."""
        out, jac = np.zeros(self.size), np.zeros((self.size, self.size))

        def add(node, current, gradient):
            if node in self.index:
                out[self.index[node]] += current
                for other, slope in gradient:
                    if other in self.index:
                        jac[self.index[node], self.index[other]] += slope

        def volts(node):
            return full[self.column(node)]

        for d, model in self.devices:
            if d.kind == "diodes":
                ((a, b),) = d.controls
                v = volts(a) - volts(b)
                current = slope = 0.0
                for string, sign in zip(model, (1.0, -1.0), strict=True):
                    if string is not None:
                        nvt = string.count * string.model.emission_coefficient * VT
                        saturation = string.model.saturation_current_a * string.parallel
                        e = np.exp(min(sign * v / nvt, 500.0))
                        current += sign * saturation * (e - 1.0)
                        slope += saturation * e / nvt
                for node, s in ((a, 1.0), (b, -1.0)):
                    if node not in self.outputs:
                        add(node, s * current, [(a, s * slope), (b, -s * slope)])
            elif d.kind == "zener":
                a, b = d.nodes["anode"], d.nodes["cathode"]
                current, slope = zener_current(volts(a) - volts(b), model, VT)
                for node, s in ((a, 1.0), (b, -1.0)):
                    add(node, s * current, [(a, s * slope), (b, -s * slope)])
            elif d.kind in ("jfet", "mosfet"):
                drain, gate, source = (d.nodes[t] for t in ("drain", "gate", "source"))
                s = 1.0 if model.polarity == "n" else -1.0
                vgs, vds = s * (volts(gate) - volts(source)), s * (volts(drain) - volts(source))
                if d.kind == "jfet":
                    into_gate, into_drain = jfet_currents(vgs, vds, model, VT)
                else:
                    into_gate, into_drain = (0.0, 0.0, 0.0), mosfet_current(vgs, vds, model, VT)
                out_of_source = tuple(-a - b for a, b in zip(into_gate, into_drain, strict=True))
                for node, (i, by_gate, by_drain) in (
                    (gate, into_gate),
                    (drain, into_drain),
                    (source, out_of_source),
                ):
                    slopes = [(gate, by_gate), (drain, by_drain), (source, -by_gate - by_drain)]
                    add(node, s * i, slopes)
            elif d.kind == "transistor":
                base, emitter, collector = (d.nodes[t] for t in ("base", "emitter", "collector"))
                s = 1.0 if model.polarity == "npn" else -1.0
                vbe, vbc = s * (volts(base) - volts(emitter)), s * (volts(base) - volts(collector))
                (ib, ib_be, ib_bc), (ic, ic_be, ic_bc) = gummel_poon(vbe, vbc, model)
                for node, i, be, bc in (
                    (base, ib, ib_be, ib_bc),
                    (collector, ic, ic_be, ic_bc),
                    (emitter, -ib - ic, -ib_be - ic_be, -ib_bc - ic_bc),
                ):
                    add(node, s * i, [(base, be + bc), (emitter, -be), (collector, -bc)])
            else:
                plus, minus, output = (d.nodes[k] for k in ("plus", "minus", "output"))
                rail = d.nodes.get("supply", "")
                sr, wt = model.slew_rate_v_per_s, 2 * np.pi * model.gain_bandwidth_hz
                t = np.tanh((volts(plus) - volts(minus)) * wt / sr)
                high = (volts(rail) if rail else self.network.supply_v) - model.headroom_high_v
                low = model.headroom_low_v
                up = np.exp(min((volts(output) - high) / SWING_KNEE_V, 500.0))
                down = np.exp(min((low - volts(output)) / SWING_KNEE_V, 500.0))
                g = wt * (1 - t * t)
                slopes = [(plus, -g), (minus, g), (output, sr * (up + down) / SWING_KNEE_V)]
                slopes += [(rail, -sr * up / SWING_KNEE_V)]
                add(output, -sr * (t - up + down), slopes)
        return out, jac

    def solve(
        self,
        rest: dict[str, float],
        times,
        signal: Callable,
        slope: Callable,
        node: str,
        rtol=1e-9,
        atol=1e-10,
        max_step=0.0,
    ):
        """Node volts at ``times`` for input volts ``signal(t)``, starting from rest.

        A ``max_step`` keeps the integrator from striding over a burst after a long silence.
        """
        start = np.zeros(self.size)
        for name, k in self.index.items():
            start[k] = rest[name]
        found = self._integrate(
            times, start, np.zeros(self.size), signal, slope, rtol, atol, max_step
        )
        return found[:, self.index[node]]

    def power_up(self, times, node, rtol=1e-9, atol=1e-10, signal=_still, slope=_still):
        """Node volts at ``times`` after the supply is there at once, every capacitor empty.

        Without a node those of all, in the order of ``free``. Steps of implicit Euler, which needs
        no consistent start, of a nanosecond lead from nothing to a state that is consistent; IDA
        goes on from there. ``times`` lie behind them.
        """
        full, y, before = np.zeros(self.size + len(self.known)), None, np.zeros(self.size)
        full[self.size :] = [*self.network.rails.values(), self.network.input_v]
        jumped = full.copy()  # what is known jumps in the first step
        for _ in range(_EULER_STEPS):
            y = self._euler_step(full, before, jumped)
            rate, before = (y - before) / _EULER_S, y
            jumped[self.size :] = 0.0
        start_s = _EULER_STEPS * _EULER_S
        found = self._integrate([start_s, *times], y, rate, signal, slope, rtol, atol, 0.0)
        return found[1:, : len(self.free)] if node is None else found[1:, self.index[node]]

    def thrown(self, y, t, signal, slope):
        """Node volts and their rates a few nanoseconds behind a moment at which contacts changed.

        Of volts before it; capacitors keep their charge, by steps of implicit Euler.
        """
        known = [*self.network.rails.values(), 0.0]
        full, jumped = np.append(np.zeros(self.size), known), np.zeros(self.size + len(known))
        for _ in range(_EULER_STEPS):
            t += _EULER_S
            full[-1], jumped[-1] = self.network.input_v + signal(t), slope(t) * _EULER_S
            before, y = y, self._euler_step(full, y, jumped)
        return y, (y - before) / _EULER_S, t

    def _euler_step(self, full, before, jumped):
        """Newton's method, no node moved by more than a fifth of a volt at a time."""
        y = before.copy()
        for _ in range(2000):
            full[: self.size] = y
            moved = jumped.copy()
            moved[: self.size] = y - before
            current, slopes = self.device_currents(full)
            net = self.G @ full + self.C @ moved / _EULER_S + current + self.drawn
            step = np.linalg.solve((self.G + self.C / _EULER_S)[:, : self.size] + slopes, -net)
            largest = np.abs(step).max()
            y = y + step * min(1.0, 0.2 / largest) if largest > 0.0 else y
            if largest < 1e-12:
                return y
        raise RuntimeError("no first step")

    def _integrate(self, times, start, rate, signal, slope, rtol, atol, max_step):
        from sksundae.ida import IDA

        known = np.array([*self.network.rails.values(), 0.0])
        known_rate = np.zeros(len(known))
        source = self.known.index(self.network.ideal_supply)
        omega = 2 * np.pi * self.network.ripple_hz

        def drive(t):
            known[-1], known_rate[-1] = self.network.input_v + signal(t), slope(t)
            peak = self.network.ripple_v
            known[source] = self.network.supply_v + peak * np.sin(omega * t)
            known_rate[source] = peak * omega * np.cos(omega * t)

        def residual(t, y, yp, res):
            drive(t)
            full = np.concatenate([y, known])
            res[:] = (
                self.conductance(t) @ full
                + self.C @ np.concatenate([yp, known_rate])
                + self.device_currents(full)[0]
                + self.drawn
            )

        def jacobian(t, y, yp, res, cj, jac):
            drive(t)
            full = np.concatenate([y, known])
            stamps = self.conductance(t) + cj * self.C
            jac[:] = stamps[:, : self.size] + self.device_currents(full)[1]

        solver = IDA(
            residual,
            rtol=rtol,
            atol=atol,
            jacfn=jacobian,
            linsolver="dense",
            max_num_steps=10_000_000,
            max_step=max_step,
        )
        solution = solver.solve(np.asarray(times), start, rate)
        if not solution.success:
            raise RuntimeError(solution.message)
        return solution.y


def device_models(design: Design) -> dict[str, object]:
    """Model of each device of a design, by part name, as the oracle wants it."""
    models: dict[str, object] = {"supply.bias_buffer": design.supply.bias_buffer}
    for name, stage in design.stages.items():
        for field in stage.infos:
            value, place = stage.value(field), f"{name}.{field}"
            if isinstance(value, DiodePair):
                models[place] = (value.forward, value.reverse)
                models[f"{place}.forward"] = (value.forward, None)
                models[f"{place}.reverse"] = (None, value.reverse)
            else:
                models[place] = value
    return models


def solve_thrown(pieces, rest, times, signal, slope, node, rtol=1e-8, atol=1e-9):
    """Volts of a node through moments at which contacts change.

    ``pieces`` are times, from 0, and the oracle from there on; a sample on one is its middle.
    """
    oracle, y = pieces[0][1], None
    found, times = np.zeros(len(times)), np.asarray(times)
    ends = [at for at, _ in pieces[1:]] + [times[-1] + 1e-6]
    for k, ((begin, oracle), end) in enumerate(zip(pieces, ends, strict=True)):
        if y is None:
            y, rate, start = np.zeros(oracle.size), np.zeros(oracle.size), begin
            for name, place in oracle.index.items():
                y[place] = rest[name]
        else:
            y, rate, start = oracle.thrown(y, begin, signal, slope)
        on = np.abs(times - begin) < 1e-9
        found[on] += (0.5 if k else 1.0) * y[oracle.index[node]]
        inside = (times > begin + 1e-8) & (times < end - 1e-9)
        asked = [start, *times[inside], end]
        volts = oracle._integrate(asked, y, rate, signal, slope, rtol, atol, 1e-3)
        found[inside] = volts[1:-1, oracle.index[node]]
        found[np.abs(times - end) < 1e-9] += 0.5 * volts[-1, oracle.index[node]]
        y = volts[-1]
    return found
