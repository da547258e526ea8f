"""Text of one part of a program: what a step knows, Newton's method, and what it leaves.

A step takes the states x and the remainders i of the port currents to the next ones::

    s = A x + B u + C0 i + CQ theta (j - 2 i)       i before, j before that
    v = D (x + s) + E u + (K + KQ theta) i'         Newton's method finds i' with the laws
    x' = x + s + (C1 + CQ theta) i',   y = L x' + M u + N i'

A is the transition less the identity: what a step adds to a slow state is far smaller than it.
theta = min(1, 1 / steep), of the last step, holds the parabola back where the laws are steep:
``steep`` is the row sum of ``|G K|``, half a step times the rate at which a port relaxes. A port
that may not be a parabola has C0 in its column of CQ and the place of the parabola's term taken by
``-i``: theta = 1 - min(1, 32 / steep) then turns the line towards a constant, for a line rings at
half the rate of the steps where a law is far steeper than the step can follow.
"""

from vadist.kernel.law_text import law_lines
from vadist.kernel.signal_text import SignalText
from vadist.kernel.structure import CONSTANTS, CONTROLS, CURRENTS, TAPS

SMALLEST_STATE_V = 1e-30

CURVED, STRAIGHT = 1.0, 32.0
"""How steep a port may be for a full parabola, and for a full line."""

COARSE = 5e-7
"""Of a control voltage: what single precision does not resolve."""


class PartText(SignalText):
    """The text of one part."""

    def dot(self, matrix: str, row: int, terms: list[str]) -> str:
        """Source of a row of a matrix times named values, without what is zero."""
        held = [
            f"{self.at(f'{matrix}_{row}_{k}')} * {term}"
            for k, term in enumerate(terms)
            if f"{matrix}_{row}_{k}" in self.held
        ]
        return " + ".join(held) or "0.0"

    def plus(self, *sums: str) -> str:
        """A sum of sums."""
        return " + ".join(s for s in sums if s != "0.0") or "0.0"

    def newton(self, depth: int, first: bool = False) -> None:
        """One Newton step of lane l; leaves 1.0 in ``still`` while it has not converged.

        At the first step of a sample every lane is live, and its voltages are at hand.
        """
        n = self.n
        if not first:
            for k in range(n.controls):
                self.put(depth, f"v{k} = {self.at(f'v{k}')}")
                self.put(depth, f"p{k} = {self.at(f'p{k}')}")
        slopes = self._laws(depth)
        for k in range(n.controls):
            for b in range(n.ports):
                if f"KQ_{k}_{b}" in self.held:
                    straight = self.at(f"K_{k}_{b}") if f"K_{k}_{b}" in self.held else "0.0"
                    bent = f"{self.at(f'KQ_{k}_{b}')} * {self.at(f'theta{b}')}"
                    self.put(depth, f"k{k}_{b} = {straight} + {bent}")
                elif f"K_{k}_{b}" in self.held:
                    self.put(depth, f"k{k}_{b} = {self.at(f'K_{k}_{b}')}")
        coupled = {
            (k, b)
            for k in range(n.controls)
            for b in range(n.ports)
            if f"K_{k}_{b}" in self.held or f"KQ_{k}_{b}" in self.held
        }
        filled: set[tuple[int, int]] = set()
        for a in range(n.ports):
            own = n.controls_of[a]
            for k in own:
                # What the straight line through rest leaves of the law.
                self.put(depth, f"{slopes[a][k]} = {slopes[a][k]} - {self.at(f'slope{a}_{k}')}")
            line = " - ".join(f"{self.at(f'slope{a}_{k}')} * v{k}" for k in own)
            extra = " + ".join(f"{slopes[a][k]} * (p{k} - v{k})" for k in own)
            self.put(depth, f"b{a} = j{a} - {line} + {extra}")
            for b in range(n.ports):
                inner = " + ".join(f"{slopes[a][k]} * k{k}_{b}" for k in own if (k, b) in coupled)
                if inner or a == b:
                    self.put(depth, f"m{a}_{b} = -({inner or '0.0'})")
                    filled.add((a, b))
        # A lane that has converged keeps its answer, whatever its neighbours still do.
        self.put(depth, f"live = {'1.0' if first else self.at('live')}")
        for a in range(n.ports):
            entries = [f"abs(m{a}_{b})" for b in range(n.ports) if (a, b) in filled]
            kept = "" if first else f" if live > 0.0 else {self.at(f'steep{a}')}"
            self.put(depth, f"{self.at(f'steep{a}')} = {' + '.join(entries)}{kept}")
        for a in range(n.ports):
            self.put(depth, f"m{a}_{a} = 1.0 + m{a}_{a}")
        self._eliminate(depth, filled)
        for a in range(n.ports):
            kept = "" if first else f" if live > 0.0 else {self.at(f'r{a}')}"
            self.put(depth, f"r{a} = b{a}{kept}")
            self.put(depth, f"{self.at(f'r{a}')} = r{a}")
        self.put(depth, "change = 0.0")
        for k in range(n.controls):
            from_ports = " + ".join(f"k{k}_{b} * r{b}" for b in range(n.ports) if (k, b) in coupled)
            self.put(depth, f"w{k} = p{k} + {from_ports or '0.0'}")
            self.put(depth, f"{self.at(f'w{k}')} = w{k}")
            # Beyond a few volts a single-precision number is coarser than the tolerance.
            self.put(depth, f"moved = abs(w{k} - v{k}) - {COARSE} * abs(w{k})")
            # Written so that NaN counts as a change.
            self.put(depth, "change = change if moved <= change else moved")
        self.put(depth, f"{self.at('change')} = change")
        self.put(depth, "still = 0.0 if change <= tolerance else live")
        self.put(depth, f"{self.at('live')} = still")

    def limit(self, depth: int) -> None:
        """Start lane l's next Newton step from the last answer, no farther than laws bear."""
        for k in range(self.n.controls):
            step, rest = self.at(f"step{k}"), self.at(f"rest_v{k}")
            self.put(depth, f"far = ({self.at(f'v{k}')} + {rest}) * {self.at(f'grow{k}')}")
            self.put(depth, f"floor = min(far, {self.at(f'low{k}')}) - {step} - {rest}")
            self.put(depth, f"ceiling = max(far, {self.at(f'high{k}')}) + {step} - {rest}")
            self.put(depth, f"{self.at(f'v{k}')} = min(max({self.at(f'w{k}')}, floor), ceiling)")

    def _laws(self, depth: int) -> list[dict[int, str]]:
        """Growths of the currents j0, j1, ... and, for each, names of its slopes by control."""
        n = self.n
        slopes: list[dict[int, str]] = []
        control = port = 0
        for d, kind in enumerate(n.kinds):
            own = list(range(control, control + CONTROLS[kind]))
            arguments = [self.control(k) for k in own]
            arguments += [self.at(f"par{d}_{k}") for k in range(CONSTANTS[kind])]
            results = []
            for a in range(port, port + CURRENTS[kind]):
                names = {k: f"g{a}_{k}" for k in own}
                slopes.append(names)
                results += [f"j{a}", *names.values()]
            for line in law_lines(kind, arguments, results, f"_{d}"):
                self.put(depth, line)
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

    def step(self, depth: int, written: int) -> None:
        """Step ``j`` of tick ``t``; outputs go to ``y`` from row ``written`` on."""
        self._known(depth, written)
        self.put(depth, f"statistics[{2 * self.part + 1}] += 1")

    def _known(self, depth: int, written: int) -> None:
        n = self.n
        states = [f"x{k}" for k in range(n.states)]
        currents = [f"i{k}" for k in range(n.ports)]
        newest = [f"u{k}_{taken - 1}" for k, taken in enumerate(n.taken)]
        self.put(depth, "if fresh:")
        self._turn(depth + 1)
        self._hear(depth + 1)
        if n.ports:
            self.put(depth + 1, "unfinished = np.int32(0)")
        self.lanes(depth + 1)
        for name in dict.fromkeys([*states, *currents, *n.taps, *newest]):
            self.put(depth + 2, f"{name} = {self.at(name)}")
        bends = [f"bend{a}" for a in range(n.ports)]
        for a in range(n.ports):
            before = f"({self.at(f'j{a}')} - 2.0 * i{a})" if a in n.curved else f"-i{a}"
            self.put(depth + 2, f"bend{a} = {self.at(f'theta{a}')} * {before}")
        for r in range(n.states):
            # Kept apart from the state: what a step adds to a slow one is far smaller than it.
            known = self.plus(
                self.dot("A", r, states), self.dot("B", r, list(n.taps)),
                self.dot("C0", r, currents), self.dot("CQ", r, bends),
            )  # fmt: skip
            self.put(depth + 2, f"s{r} = {known}")
            self.put(depth + 2, f"{self.at(f's{r}')} = s{r}")
        if n.ports:
            self._solve(depth + 1, [f"x{k} + s{k}" for k in range(n.states)], newest)
        self._update(depth, states, newest, written)

    def _solve(self, depth: int, known: list[str], newest: list[str]) -> None:
        """Predict the control voltages and iterate until every lane has converged.

        Most samples are done after one step, so that step shares its loop with the prediction.
        """
        n = self.n
        for k in range(n.states):
            self.put(depth + 1, f"t{k} = {known[k]}")
        reached = [f"t{k}" for k in range(n.states)]
        for k in range(n.controls):
            self.put(depth + 1, f"{self.at(f'p_old{k}')} = {self.at(f'p{k}')}")
            self.put(
                depth + 1,
                f"p{k} = {self.plus(self.dot('D', k, reached), self.dot('E', k, newest))}",
            )
            self.put(depth + 1, f"{self.at(f'p{k}')} = p{k}")
            # Newton starts from the cubic through the last four samples.
            self.put(depth + 1, f"w = {self.at(f'w{k}')}")
            self.put(depth + 1, f"old = {self.at(f'w_old{k}')}")
            self.put(depth + 1, f"older = {self.at(f'w_older{k}')}")
            self.put(depth + 1, f"v{k} = 4.0 * (w + older) - 6.0 * old - {self.at(f'w_oldest{k}')}")
            self.put(depth + 1, f"{self.at(f'v{k}')} = v{k}")
            self.put(depth + 1, f"{self.at(f'w_oldest{k}')} = older")
            self.put(depth + 1, f"{self.at(f'w_older{k}')} = old")
            self.put(depth + 1, f"{self.at(f'w_old{k}')} = w")
        self.newton(depth + 1, first=True)
        self.count(depth + 1)
        self.put(depth, "spent = 1")
        self.put(depth, "while unfinished > 0 and spent < limit:")
        self.put(depth + 1, "spent += 1")
        self.put(depth + 1, "unfinished = np.int32(0)")
        self.lanes(depth + 1)
        self.limit(depth + 2)
        self.newton(depth + 2)
        self.count(depth + 2)
        self.stuck(depth)

    def control(self, k: int) -> str:
        """A control voltage, as a law takes it."""
        return f"v{k}"

    def count(self, depth: int) -> None:
        """Count lane l if it has not converged."""
        lane = "(np.int32(1) if still > 0.0 else np.int32(0))"
        self.put(depth, f"unfinished = np.int32(unfinished + {lane})")

    def stuck(self, depth: int) -> None:
        """Count the Newton steps, and leave where lanes have not converged."""
        self.put(depth, f"statistics[{2 * self.part}] += spent")
        self.put(depth, "if unfinished > 0:")
        most, parts = self.program.most_steps, len(self.program.parts)
        self.put(depth + 1, f"return (t * {parts} + {self.part}) * {most} + j")

    def _update(self, depth: int, states: list[str], newest: list[str], written: int) -> None:
        """The step's states and outputs, and what the next step wants to know of this one."""
        n = self.n
        solved = [f"r{k}" for k in range(n.ports)]
        midway = self._midway(depth)
        self.lanes(depth)
        for name in [*states, *solved, *newest]:
            self.put(depth + 1, f"{name} = {self.at(name)}")
        bent = [f"bent{a}" for a in range(n.ports)]
        for a in range(n.ports):
            self.put(depth + 1, f"bent{a} = {self.at(f'theta{a}')} * r{a}")
        for r in range(n.states):
            grown = self.plus(self.at(f"s{r}"), self.dot("C1", r, solved), self.dot("CQ", r, bent))
            if r < n.slow:
                # Rounding that a slow state has lost so far is added to its next growth (Kahan).
                self.put(depth + 1, f"grown = {grown} - {self.at(f'e{r}')}")
                self.put(depth + 1, f"x = x{r} + grown")
                self.put(depth + 1, f"{self.at(f'e{r}')} = (x - x{r}) - grown")
            else:
                self.put(depth + 1, f"x = x{r} + ({grown})")
            # A state decays geometrically in silence; it is zero before it turns denormal.
            self.put(depth + 1, f"x{r} = x if abs(x) > {SMALLEST_STATE_V} else 0.0")
            self.put(depth + 1, f"{self.at(f'x{r}')} = x{r}")
        for r in range(n.outputs):
            heard = self.plus(
                self.dot("L", r, states), self.dot("M", r, newest), self.dot("N", r, solved)
            )
            self.put(depth + 1, f"y{r} = {heard}")
            for word, choose in (("least", "min"), ("most", "max")) if r < self._flows else ():
                extreme = self.at(f"{word}{r}")
                self.put(depth + 1, f"{extreme} = {choose}({extreme}, y{r})")
            if r < n.written:
                self.put(depth + 1, f"y[{written + r}, t * {n.steps} + j, l] = y{r}")
            if r < n.written or (self.part, r) in self.program.inner or r >= self._flows:
                self.put(depth + 1, f"{self.at(f'y{r}')} = y{r}")
        for r, spent in midway:
            self.put(depth + 1, f"{spent} = {spent} + share * y{r}")
        self._shares(depth + 1)
        for a in range(n.ports):
            self.put(depth + 1, f"{self.at(f'i{a}')} = r{a}")
        self._remember(depth)

    def _midway(self, depth: int) -> list[tuple[int, str]]:
        """Outputs that are flows out of rails, and what adds them up within a tick."""
        n = self.n
        midway = [
            (r, self.program.at_rails(f"spent{r - self._flows}"))
            for r in range(self._flows, min(self._flows + self.program.rails, n.outputs))
            if n.steps > 1
        ]
        if midway:
            real = f"np.{self.program.real}"
            self.put(depth, f"share = {real}({2.0 / n.steps!r} if j < {n.steps - 1} else 0.0)")
        return midway

    def _shares(self, depth: int) -> None:
        """How much of a parabola, or of a line, the next step may have of each port."""
        n = self.n
        for a in range(n.ports):
            bearable = CURVED if a in n.curved else STRAIGHT
            flat = f"min(1.0, {bearable} / ({self.at(f'steep{a}')} + 1e-30))"
            if a in n.curved:
                self.put(depth, f"{self.at(f'j{a}')} = {self.at(f'i{a}')}")
                self.put(depth, f"{self.at(f'theta{a}')} = {flat}")
            else:
                self.put(depth, f"{self.at(f'theta{a}')} = 1.0 - {flat}")

    def _remember(self, depth: int) -> None:
        """Keep what the next step, and later parts, want to know of signals."""
        n = self.n
        for k, taken in enumerate(n.taken):
            if k in n.slow_signals:
                continue
            known = [f"u{k}_{age}" for age in range(taken)]
            every = [f"h{k}_{age}" for age in range(TAPS - 2, -1, -1)] + known
            kept = every[-(TAPS - 1) :]
            for age, name in enumerate(reversed(kept)):
                self.put(depth + 1, f"n{age} = {self.at(name)}")
            for age in range(TAPS - 1):
                self.put(depth + 1, f"{self.at(f'h{k}_{age}')} = n{age}")
        for r in range(n.outputs):
            if (self.part, r) in self.program.inner:
                self.lanes(depth)
                row = self.program.rows[self.part, f"o{r}_0"]
                self.put(
                    depth + 1, f"s[({row} + j) * {self.program.lanes} + l] = {self.at(f'y{r}')}"
                )

    @property
    def _flows(self) -> int:
        first = self.program.flows[self.part]
        return self.n.outputs if first < 0 else first
