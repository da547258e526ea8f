"""Source text of the time-stepping kernel of one structure.

A kernel over any number of ports and states would spend its time on loop counters and on memory.
So the text is written out for each structure: straight-line code inside one loop over lanes, all
per-lane numbers in one flat workspace with a literal row length, which lets LLVM vectorise over
lanes without a single aliasing check.

Per sample and lane the section equations are, in deviations from the operating point, with
``z = [x; u; i]`` the state, input and port currents::

    p  = rest + P z            control voltages without this sample's port currents
    v  = p + K i(v)            solved by Newton: (I - G K) i = i(v*) - rest_i + G (p - v*)
    x' = A x + B u + C i,   y = L x + M u + N i,   both rows of W z
"""

from vadist.devices import KINDS
from vadist.kernel.structure import CONTROLS, CURRENTS, PARAMETERS, Structure

SMALLEST_STATE_V = 1e-30

_HEADER = '''"""Generated; see vadist.kernel.generate."""

import numpy as np
from numba import njit

{laws}

_OPTIONS = {{
    "error_model": "numpy", "nogil": True, "cache": True, "fastmath": {{"contract", "nsz", "arcp"}}
}}
'''
# 'contract' allows fused multiply-add, 'nsz' and 'arcp' touch the last digit only; NaN and
# infinity keep their meaning, so that a failed sample is seen.


def kernel_source(structure: Structure) -> str:
    """Python source of a structure's kernel.

    It defines ``run(s, u, y, statistics, tolerance, limit, start, resume)``, compiled, which
    steps from sample ``start`` and returns the first sample it could not solve, or -1; and, if
    there are devices, ``newton(s, tolerance, l)`` and ``limit(s, l)``: the same Newton step, and
    the limit on where the next one starts, for a single lane, as plain Python for
    :mod:`vadist.kernel.rescue`. ``u`` is (inputs, samples, lanes), ``y`` (written, samples,
    lanes). With ``resume`` the first sample's port currents are taken as solved.
    """
    return _Writer(structure).source()


def _law_import(kind: str) -> str:
    law = KINDS[kind].law
    return f"from {law.__module__} import {law.__name__}"


class _Writer:
    def __init__(self, structure: Structure) -> None:
        self.n = structure
        self.lines: list[str] = []

    def at(self, name: str) -> str:
        """A per-lane number in the workspace."""
        return f"s[{self.n.rows[name] * self.n.lanes} + l]"

    def dot(self, matrix: str, row: int, terms: list[str]) -> str:
        """Source of a row of a matrix times named values, without what is zero."""
        held = [
            f"{self.at(f'{matrix}{row}_{k}')} * {term}"
            for k, term in enumerate(terms)
            if f"{matrix}{row}_{k}" in self.n.rows
        ]
        return " + ".join(held) or "0.0"

    def put(self, depth: int, text: str) -> None:
        self.lines.append("    " * depth + text)

    def source(self) -> str:
        n = self.n
        self.lines = []
        if n.ports:
            self.put(0, "\n\ndef newton(s, tolerance, l):")
            self._newton(1)
            self.put(1, "return still")
            self.put(0, "\n\ndef limit(s, l):")
            self._limit(1)
        self._run()
        laws = "\n".join(_law_import(kind) for kind in sorted(set(n.kinds)))
        return _HEADER.format(laws=laws) + "\n".join(self.lines) + "\n"

    def _newton(self, depth: int, first: bool = False) -> None:
        """One Newton step of lane l; leaves 1.0 in ``still`` while it has not converged.

        At the first step of a sample every lane is live, and its voltages are at hand.
        """
        n = self.n
        if not first:
            for k in range(n.controls):
                self.put(depth, f"v{k} = {self.at(f'v{k}')}")
                self.put(depth, f"p{k} = {self.at(f'p{k}')}")
        slopes = self._laws(depth)
        filled: set[tuple[int, int]] = set()
        for a in range(n.ports):
            own = n.controls_of[a]
            extra = " + ".join(f"{slopes[a][k]} * (p{k} - v{k})" for k in own)
            self.put(depth, f"b{a} = j{a} - {self.at(f'rest_i{a}')} + {extra}")
            for b in range(n.ports):
                inner = " + ".join(
                    f"{slopes[a][k]} * {self.at(f'K{k}_{b}')}" for k in own if f"K{k}_{b}" in n.rows
                )
                if inner or a == b:
                    unit = "1.0 - " if a == b else "-"
                    self.put(depth, f"m{a}_{b} = {unit}({inner or '0.0'})")
                    filled.add((a, b))
        self._eliminate(depth, filled)
        # A lane that has converged keeps its answer, whatever its neighbours still do.
        self.put(depth, f"live = {'1.0' if first else self.at('live')}")
        for a in range(n.ports):
            kept = "" if first else f" if live > 0.0 else {self.at(f'i{a}')}"
            self.put(depth, f"i{a} = b{a}{kept}")
            self.put(depth, f"{self.at(f'i{a}')} = i{a}")
        self.put(depth, "change = 0.0")
        currents = [f"i{a}" for a in range(n.ports)]
        for k in range(n.controls):
            self.put(depth, f"w{k} = p{k} + {self.dot('K', k, currents)}")
            self.put(depth, f"{self.at(f'w{k}')} = w{k}")
            self.put(depth, f"moved = abs(w{k} - v{k})")
            # Written so that NaN counts as a change.
            self.put(depth, "change = change if moved <= change else moved")
        self.put(depth, f"{self.at('change')} = change")
        self.put(depth, "still = 0.0 if change <= tolerance else live")
        self.put(depth, f"{self.at('live')} = still")

    def _limit(self, depth: int) -> None:
        """Start lane l's next Newton step from the last answer, no farther than laws bear."""
        for k in range(self.n.controls):
            step = self.at(f"step{k}")
            self.put(depth, f"far = {self.at(f'v{k}')} * {self.at(f'grow{k}')}")
            self.put(depth, f"floor = min(far, {self.at(f'low{k}')}) - {step}")
            self.put(depth, f"ceiling = max(far, {self.at(f'high{k}')}) + {step}")
            self.put(depth, f"{self.at(f'v{k}')} = min(max({self.at(f'w{k}')}, floor), ceiling)")

    def _laws(self, depth: int) -> list[dict[int, str]]:
        """Device currents j0, j1, ... and, for each, the names of its slopes by control."""
        n = self.n
        slopes: list[dict[int, str]] = []
        control = port = 0
        for d, kind in enumerate(n.kinds):
            own = list(range(control, control + CONTROLS[kind]))
            arguments = [f"v{k}" for k in own]
            arguments += [self.at(f"par{d}_{k}") for k in range(PARAMETERS[kind])]
            results = []
            for a in range(port, port + CURRENTS[kind]):
                names = {k: f"g{a}_{k}" for k in own}
                slopes.append(names)
                results += [f"j{a}", *names.values()]
            self.put(
                depth, f"{', '.join(results)} = {KINDS[kind].law.__name__}({', '.join(arguments)})"
            )
            control += CONTROLS[kind]
            port += CURRENTS[kind]
        return slopes

    def _eliminate(self, depth: int, filled: set[tuple[int, int]]) -> None:
        """Gaussian elimination without pivoting, of the filled entries alone.

        The leading minors of I - G K of a network stay away from zero; a lane where that fails
        does not converge and goes to the rescue.
        """
        m = self.n.ports
        for k in range(m):
            self.put(depth, f"d{k} = 1.0 / m{k}_{k}")
            for a in range(k + 1, m):
                if (a, k) not in filled:
                    continue
                self.put(depth, f"f = m{a}_{k} * d{k}")
                for b in range(k + 1, m):
                    if (k, b) in filled:
                        before = f"m{a}_{b}" if (a, b) in filled else "0.0"
                        self.put(depth, f"m{a}_{b} = {before} - f * m{k}_{b}")
                        filled.add((a, b))
                self.put(depth, f"b{a} -= f * b{k}")
        for k in reversed(range(m)):
            for b in range(k + 1, m):
                if (k, b) in filled:
                    self.put(depth, f"b{k} -= m{k}_{b} * b{b}")
            self.put(depth, f"b{k} *= d{k}")

    def _run(self) -> None:
        n = self.n
        self.put(0, "\n\n@njit(**_OPTIONS)")
        self.put(0, "def run(s, u, y, statistics, tolerance, limit, start, resume):")
        self.put(1, "for t in range(start, u.shape[1]):")
        states = [f"x{k}" for k in range(n.states)]
        inputs = [f"u{k}" for k in range(n.inputs)]
        currents = [f"i{k}" for k in range(n.ports)]
        # The loops that follow touch the workspace alone, so nothing in them may overlap.
        for k in range(n.inputs):
            self.put(2, f"for l in range({n.lanes}):")
            self.put(3, f"{self.at(f'u{k}')} = u[{k}, t, l]")
        if n.ports:
            self.put(2, "if t > start or not resume:")
            self._solve(states + inputs)
        self.put(2, f"for l in range({n.lanes}):")
        for name in states + inputs + currents:
            self.put(3, f"{name} = {self.at(name)}")
        everything = states + inputs + currents
        for r in range(n.states):
            # A state decays geometrically in silence; it is zero before it turns denormal.
            self.put(3, f"x = {self.dot('W', r, everything)}")
            self.put(3, f"{self.at(f'x{r}')} = x if abs(x) > {SMALLEST_STATE_V} else 0.0")
        for r in range(n.outputs):
            self.put(3, f"y{r} = {self.dot('W', n.states + r, everything)}")
            for word, choose in (("least", "min"), ("most", "max")):
                self.put(3, f"{self.at(f'{word}{r}')} = {choose}({self.at(f'{word}{r}')}, y{r})")
            if r < n.written:
                self.put(3, f"y[{r}, t, l] = y{r}")
        self.put(2, "statistics[1] += 1")
        self.put(1, "return -1")

    def _solve(self, known: list[str]) -> None:
        """Predict the control voltages and iterate until every lane has converged.

        Most samples are done after one step, so that step shares its loop with the prediction.
        """
        n = self.n
        self.put(3, "unfinished = 0")
        self.put(3, f"for l in range({n.lanes}):")
        for name in known:
            self.put(4, f"{name} = {self.at(name)}")
        for k in range(n.controls):
            self.put(4, f"{self.at(f'p_old{k}')} = {self.at(f'p{k}')}")
            self.put(4, f"p{k} = {self.at(f'rest_v{k}')} + {self.dot('P', k, known)}")
            self.put(4, f"{self.at(f'p{k}')} = p{k}")
            # Newton starts from the cubic through the last four samples.
            self.put(4, f"w = {self.at(f'w{k}')}")
            self.put(4, f"old = {self.at(f'w_old{k}')}")
            self.put(4, f"older = {self.at(f'w_older{k}')}")
            self.put(4, f"v{k} = 4.0 * (w + older) - 6.0 * old - {self.at(f'w_oldest{k}')}")
            self.put(4, f"{self.at(f'v{k}')} = v{k}")
            self.put(4, f"{self.at(f'w_oldest{k}')} = older")
            self.put(4, f"{self.at(f'w_older{k}')} = old")
            self.put(4, f"{self.at(f'w_old{k}')} = w")
        self._newton(4, first=True)
        self.put(4, "unfinished += 1 if still > 0.0 else 0")
        self.put(3, "spent = 1")
        self.put(3, "while unfinished > 0 and spent < limit:")
        self.put(4, "spent += 1")
        self.put(4, "unfinished = 0")
        self.put(4, f"for l in range({n.lanes}):")
        self._limit(5)
        self._newton(5)
        self.put(5, "unfinished += 1 if still > 0.0 else 0")
        self.put(3, "statistics[0] += spent")
        self.put(3, "if unfinished > 0:")
        self.put(4, "return t")
