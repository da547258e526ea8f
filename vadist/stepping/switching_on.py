"""The first moments of a circuit that is switched on, every capacitor empty and every coil still.

A rail that is held, or the source of one that is not, is there at once. What follows spans twelve
decades: an op-amp below its lowest output, a junction across an empty capacitor. So time begins
with a picosecond and is stepped by steps that grow, on the undivided sections as they are, not as
they rest. A step is implicit Euler, which needs no consistent start and swings about nothing, by
one, two, three and four parts, extrapolated to the fourth order (E. Hairer, G. Wanner, Solving
Ordinary Differential Equations II, IV.9 and VI.2: extrapolation, also of index-one equations).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vadist.arrays import FloatArray
from vadist.circuits.network import INPUT
from vadist.circuits.operating_point import SolvedNetwork
from vadist.circuits.sections import Section
from vadist.devices.evaluate import currents_and_slopes
from vadist.errors import ConvergenceError

_PARTS = (1, 2, 3, 4)
_FIRST_S, _GROWTH = 1e-12, 1.5
_EVEN_STEPS = 48
# Of the whole time, once steps have grown to that: outputs are read off between them.
_NEWTON_STEPS = 400
_SETTLED_V = 1e-7
# Newton leaves its square over a thermal voltage.


@dataclass(frozen=True)
class _Moment:
    """A section at one moment.

    What its capacitors hold is told by the volts of nodes: a step solves for what is added to
    them, so that in a picosecond a large capacitor brings no rounding into its nodes.

    Attributes
    ----------
    node_v, known_v : volts of its unknown and its known nodes
    coil_a : currents of its coils
    control_v : control voltages to start Newton's method from
    """

    node_v: FloatArray
    known_v: FloatArray
    coil_a: FloatArray
    control_v: FloatArray


class SwitchOn:
    """Volts of every node, and current of every coil, from switch-on for a short time.

    Parameters
    ----------
    solved : SolvedNetwork
    seconds : float

    Raises
    ------
    ConvergenceError
    """

    def __init__(self, solved: SolvedNetwork, seconds: float) -> None:
        from scipy.interpolate import PchipInterpolator

        self.seconds = seconds
        network = solved.network
        self._sections = [section for section, _ in solved.sections]
        self._known = {**network.rails, INPUT: network.input_v}
        names = [*self._known]
        for section in self._sections:
            names += [*section.unknowns, *section.inductors.parts]
        times, rows = [], []
        now, moments = 0.0, [_empty(section) for section in self._sections]
        while seconds - now > 1e-9 * seconds:
            step = min(max(now * (_GROWTH - 1.0), _FIRST_S), seconds / _EVEN_STEPS, seconds - now)
            moments = self._step(moments, step)
            now += step
            times.append(now)
            found = [np.array(list(self._known.values()))]
            for moment in moments:
                found += [moment.node_v, moment.coil_a]
            rows.append(np.concatenate(found))
        curve = PchipInterpolator(np.array(times), np.array(rows), axis=0)
        self._first_s, self._curve = times[0], curve
        self._place = network.under_all_names({name: k for k, name in enumerate(names)})

    def at(self, names: Sequence[str], times_s: FloatArray) -> FloatArray:
        """Volts of nodes (amperes of coils, by part); nothing before switch-on, half of it at it.

        Returns
        -------
        (times, names)
        """
        places = [self._place[name] for name in names]
        found = self._curve(np.maximum(times_s, self._first_s))[:, places]
        # A sample on a jump is its middle: so do all rates agree about it.
        return np.asarray(found * np.clip(times_s / self._first_s + 0.5, 0.0, 1.0)[:, None])

    def _step(self, moments: list[_Moment], step: float) -> list[_Moment]:
        """One extrapolated step: Aitken and Neville's scheme in the length of the parts."""
        rows: list[list[_Moment]] = []
        for j, parts in enumerate(_PARTS):
            reached = moments
            for _ in range(parts):
                reached = self._euler(reached, step / parts)
            row = reached
            for k, older in enumerate(rows):
                share = 1.0 / (parts / _PARTS[j - 1 - k] - 1.0)
                row, rows[k] = (
                    [_extrapolated(new, old, share) for new, old in zip(row, older, strict=True)],
                    row,
                )
            rows.append(row)
        return rows[-1]

    def _euler(self, moments: list[_Moment], step: float) -> list[_Moment]:
        volts, found = dict(self._known), []
        for section, moment in zip(self._sections, moments, strict=True):
            signals = np.array([volts[name] for name in section.signals])
            reached = _euler_step(section, moment, np.append(signals, section.rail_volts), step)
            volts |= dict(zip(section.unknowns, reached.node_v.tolist(), strict=True))
            found.append(reached)
        return found


def _empty(section: Section) -> _Moment:
    return _Moment(
        np.zeros(len(section.unknowns)),
        np.zeros(len(section.signals) + len(section.rails)),
        np.zeros(len(section.inductors.parts)),
        np.zeros(len(section.control)),
    )


def _extrapolated(new: _Moment, old: _Moment, share: float) -> _Moment:
    return _Moment(
        new.node_v + share * (new.node_v - old.node_v),
        new.known_v + share * (new.known_v - old.known_v),
        new.coil_a + share * (new.coil_a - old.coil_a),
        new.control_v,
    )


def _euler_step(section: Section, before: _Moment, known: FloatArray, step: float) -> _Moment:
    """Implicit Euler, solved by Newton's method with the devices' own limits."""
    caps, coils, devices = section.capacitors, section.inductors, section.devices
    charging = caps.into * (caps.values / step)
    flowing = coils.into * (step / coils.values)
    left = section.conductance + charging @ caps.across + flowing @ coils.across
    # An op-amp's own capacitor does not hang on a node: it holds the output at ground at first.
    jump = np.where(caps.compensation, 0.0, caps.across_known @ (known - before.known_v))
    right = -section.drawn - section.conductance @ before.node_v
    right = right - section.conductance_known @ known - charging @ jump
    along = coils.across @ before.node_v + coils.across_known @ known
    right = right - coils.into @ before.coil_a - flowing @ along
    kinds, parameters = [d.kind for d in devices], [d.parameters for d in devices]
    limits = np.array([x for d in devices for x in d.limits]).reshape(-1, 4)
    offset, v = section.control @ before.node_v + section.control_known @ known, before.control_v
    for _ in range(_NEWTON_STEPS):
        currents, slopes = currents_and_slopes(kinds, parameters, v)
        system = left - section.port_into @ slopes @ section.control
        flows = section.port_into @ (currents + slopes @ (offset - v))
        added = np.linalg.solve(system, right + flows)
        wanted = section.control @ added + offset
        far = v * limits[:, 3]
        low = np.minimum(far, limits[:, 0]) - limits[:, 2]
        high = np.maximum(far, limits[:, 1]) + limits[:, 2]
        moved, v = np.abs(wanted - v).max(initial=0.0), np.clip(wanted, low, high)
        if moved <= _SETTLED_V:
            break
    else:
        stages = ", ".join(section.stages)
        raise ConvergenceError(f"{stages}: no solution as the supply is switched on")
    coil_a = before.coil_a + (step / coils.values) * (along + coils.across @ added)
    return _Moment(before.node_v + added, known, coil_a, v)
