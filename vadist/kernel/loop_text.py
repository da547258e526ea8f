"""Text of one part as loops over what it holds, for parts that would be long written out straight.

The same step as :mod:`vadist.kernel.part_text`; every value that a sum reads is a row of the
workspace, and tables of whole numbers tell which rows each term of a sum multiplies.
"""

from collections.abc import Sequence

from vadist.kernel.part_text import COARSE, SMALLEST_STATE_V, PartText

Product = tuple[str, Sequence[str]]
"""A matrix, and names of what its columns multiply."""


class LoopText(PartText):
    """The text of one part."""

    def row(self, first: str, counter: str) -> str:
        """A per-lane number so many rows behind a named one."""
        return f"s[({self.program.rows[self.part, first]} + {counter}) * {self.program.lanes} + l]"

    def found(self, table: str, counter: str) -> str:
        """A per-lane number whose row a table tells."""
        return f"s[{table}[{counter}] * {self.program.lanes} + l]"

    def table(self, numbers: Sequence[int]) -> str:
        """Name of a table."""
        kept = tuple(numbers)
        for name, held in self.tables.items():
            if held == kept:
                return name
        name = f"table{self.part}_{len(self.tables)}"
        self.tables[name] = kept
        return name

    def add(self, depth: int, rows: int, products: Sequence[Product]) -> None:
        """Add row ``r`` of matrices times named values to ``total``."""
        begins, left, right = [0], [], []
        for r in range(rows):
            for matrix, values in products:
                held = [k for k in range(len(values)) if f"{matrix}_{r}_{k}" in self.held]
                left += self.program.row_range(self.part, [f"{matrix}_{r}_{k}" for k in held])
                right += self.program.row_range(self.part, [values[k] for k in held])
            begins.append(len(left))
        if not left:
            return
        begin = self.table(begins)
        a, b = self.found(self.table(left), "q"), self.found(self.table(right), "q")
        self.put(depth, f"for q in range({begin}[r], {begin}[r + 1]):")
        self.put(depth + 1, f"total += {a} * {b}")

    def newton(self, depth: int, first: bool = False) -> None:
        """One Newton step of lane l; leaves 1.0 in ``still`` while it has not converged."""
        n = self.n
        slopes = self._laws(depth)
        for a in range(n.ports):
            own = n.controls_of[a]
            for k in own:
                self.put(depth, f"{slopes[a][k]} = {slopes[a][k]} - {self.at(f'slope{a}_{k}')}")
                self.put(depth, f"{self.at(f'excess{a}_{k}')} = {slopes[a][k]}")
            line = " - ".join(f"{self.at(f'slope{a}_{k}')} * {self.at(f'v{k}')}" for k in own)
            extra = " + ".join(
                f"{slopes[a][k]} * ({self.at(f'p{k}')} - {self.at(f'v{k}')})" for k in own
            )
            self.put(depth, f"{self.at(f'b{a}')} = j{a} - {line} + {extra}")
        self.put(depth, f"live = {self.at('live')}")
        self._couple(depth)
        self._eliminate_in_loops(depth)
        self._answer(depth)

    def control(self, k: int) -> str:
        """A control voltage, as a law takes it."""
        return self.at(f"v{k}")

    def _couple(self, depth: int) -> None:
        """The matrix 1 - G K of the port currents, and how steep they are."""
        m = self.n.ports
        self.put(depth, f"for q in range({m * m}):")
        self.put(depth + 1, f"{self.row('m0_0', 'q')} = 0.0")
        pairs = [(a, k) for a in range(m) for k in self.n.controls_of[a]]
        first_row = self.program.rows[self.part, "m0_0"]
        lines = self.table([first_row + a * m for a, _ in pairs])
        self.put(depth, f"for g in range({len(pairs)}):")
        a, k = pairs[0]
        self.put(depth + 1, f"excess = {self.row(f'excess{a}_{k}', 'g')}")
        for matrix, share in (("K", False), ("KQ", True)):
            first, begins, columns = self._compressed(matrix)
            if not first:
                continue
            begin = self.table([begins[k] for _, k in pairs])
            end = self.table([begins[k + 1] for _, k in pairs])
            column = self.table(columns)
            self.put(depth + 1, f"for q in range({begin}[g], {end}[g]):")
            place = f"s[({lines}[g] + {column}[q]) * {self.program.lanes} + l]"
            bent = f" * {self.row('theta0', f'{column}[q]')}" if share else ""
            self.put(depth + 2, f"{place} -= excess * ({self.row(first, 'q')}{bent})")
        self.put(depth, f"for a in range({m}):")
        self.put(depth + 1, "total = 0.0")
        self.put(depth + 1, f"for b in range({m}):")
        self.put(depth + 2, f"total += abs({self.row('m0_0', f'a * {m} + b')})")
        steep = self.row("steep0", "a")
        self.put(depth + 1, f"{steep} = total if live > 0.0 else {steep}")
        own = self.row("m0_0", f"a * {m + 1}")
        self.put(depth + 1, f"{own} = 1.0 + {own}")

    def _compressed(self, matrix: str) -> tuple[str, list[int], list[int]]:
        """Name of a matrix's first coefficient, where each row begins after it, and columns."""
        begins, columns, first = [0], [], ""
        for k in range(self.n.controls):
            for b in range(self.n.ports):
                if f"{matrix}_{k}_{b}" in self.held:
                    first = first or f"{matrix}_{k}_{b}"
                    columns.append(b)
            begins.append(len(columns))
        return first, begins, columns

    def _eliminate_in_loops(self, depth: int) -> None:
        """As straight text does, the zeros included; the diagonal becomes its reciprocals."""
        m = self.n.ports

        def entry(a: str, b: str) -> str:
            return self.row("m0_0", f"{a} * {m} + {b}")

        self.put(depth, f"for k in range({m}):")
        self.put(depth + 1, f"d = 1.0 / {entry('k', 'k')}")
        self.put(depth + 1, f"{entry('k', 'k')} = d")
        self.put(depth + 1, f"for a in range(k + 1, {m}):")
        self.put(depth + 2, f"f = {entry('a', 'k')} * d")
        self.put(depth + 2, f"for b in range(k + 1, {m}):")
        self.put(depth + 3, f"{entry('a', 'b')} -= f * {entry('k', 'b')}")
        self.put(depth + 2, f"{self.row('b0', 'a')} -= f * {self.row('b0', 'k')}")
        self.put(depth, f"for q in range({m}):")
        self.put(depth + 1, f"k = {m - 1} - q")
        self.put(depth + 1, f"total = {self.row('b0', 'k')}")
        self.put(depth + 1, f"for b in range(k + 1, {m}):")
        self.put(depth + 2, f"total -= {entry('k', 'b')} * {self.row('b0', 'b')}")
        self.put(depth + 1, f"{self.row('b0', 'k')} = total * {entry('k', 'k')}")

    def _answer(self, depth: int) -> None:
        """Currents and control voltages of a lane that is live, and whether it still is."""
        n = self.n
        self.put(depth, f"for a in range({n.ports}):")
        solved = self.row("r0", "a")
        self.put(depth + 1, f"{solved} = {self.row('b0', 'a')} if live > 0.0 else {solved}")
        self.put(depth, "change = 0.0")
        self.put(depth, f"for k in range({n.controls}):")
        self.put(depth + 1, f"total = {self.row('p0', 'k')}")
        for matrix, share in (("K", False), ("KQ", True)):
            first, begins, columns = self._compressed(matrix)
            if not first:
                continue
            begin, column = self.table(begins), self.table(columns)
            self.put(depth + 1, f"for q in range({begin}[k], {begin}[k + 1]):")
            bent = f" * {self.row('theta0', f'{column}[q]')}" if share else ""
            current = self.row("r0", f"{column}[q]")
            self.put(depth + 2, f"total += {self.row(first, 'q')}{bent} * {current}")
        self.put(depth + 1, f"{self.row('w0', 'k')} = total")
        moved = f"abs(total - {self.row('v0', 'k')}) - {COARSE} * abs(total)"
        self.put(depth + 1, f"moved = {moved}")
        self.put(depth + 1, "change = change if moved <= change else moved")
        self.put(depth, f"{self.at('change')} = change")
        self.put(depth, "still = 0.0 if change <= tolerance else live")
        self.put(depth, f"{self.at('live')} = still")

    def limit(self, depth: int) -> None:
        """Start lane l's next Newton step from the last answer, no farther than laws bear."""
        self.put(depth, f"for k in range({self.n.controls}):")
        step, rest, v = (self.row(name, "k") for name in ("step0", "rest_v0", "v0"))
        self.put(depth + 1, f"far = ({v} + {rest}) * {self.row('grow0', 'k')}")
        self.put(depth + 1, f"floor = min(far, {self.row('low0', 'k')}) - {step} - {rest}")
        self.put(depth + 1, f"ceiling = max(far, {self.row('high0', 'k')}) + {step} - {rest}")
        self.put(depth + 1, f"{v} = min(max({self.row('w0', 'k')}, floor), ceiling)")

    def _known(self, depth: int, written: int) -> None:
        n = self.n
        states = [f"x{k}" for k in range(n.states)]
        currents = [f"i{k}" for k in range(n.ports)]
        bends = [f"bend{a}" for a in range(n.ports)]
        newest = [f"u{k}_{taken - 1}" for k, taken in enumerate(n.taken)]
        self.put(depth, "if fresh:")
        self._turn(depth + 1)
        self._hear(depth + 1)
        self.lanes(depth + 1)
        for a in range(n.ports):
            current = self.at(f"i{a}")
            before = f"({self.at(f'j{a}')} - 2.0 * {current})" if a in n.curved else f"-{current}"
            self.put(depth + 2, f"{self.at(f'bend{a}')} = {self.at(f'theta{a}')} * {before}")
        if n.states:
            self.put(depth + 2, f"for r in range({n.states}):")
            self.put(depth + 3, "total = 0.0")
            products = [("A", states), ("B", n.taps), ("C0", currents), ("CQ", bends)]
            self.add(depth + 3, n.states, products)
            self.put(depth + 3, f"{self.row('s0', 'r')} = total")
            self.put(depth + 3, f"{self.row('t0', 'r')} = {self.row('x0', 'r')} + total")
        if n.ports:
            self._solve(depth + 1, [f"t{k}" for k in range(n.states)], newest)
        self._update(depth, states, newest, written)

    def _solve(self, depth: int, known: list[str], newest: list[str]) -> None:
        n = self.n
        self.put(depth + 1, f"for r in range({n.controls}):")
        p, v, w = (self.row(name, "r") for name in ("p0", "v0", "w0"))
        old, older, oldest = (self.row(f"w_{name}0", "r") for name in ("old", "older", "oldest"))
        self.put(depth + 2, f"{self.row('p_old0', 'r')} = {p}")
        self.put(depth + 2, "total = 0.0")
        self.add(depth + 2, n.controls, [("D", known), ("E", newest)])
        self.put(depth + 2, f"{p} = total")
        # Newton starts from the cubic through the last four samples.
        self.put(depth + 2, f"{v} = 4.0 * ({w} + {older}) - 6.0 * {old} - {oldest}")
        self.put(depth + 2, f"{oldest} = {older}")
        self.put(depth + 2, f"{older} = {old}")
        self.put(depth + 2, f"{old} = {w}")
        self.put(depth + 1, f"{self.at('live')} = 1.0")
        self.put(depth, "spent = 0")
        self.put(depth, "unfinished = np.int32(1)")
        self.put(depth, "while unfinished > 0 and spent < limit:")
        self.put(depth + 1, "if spent > 0:")
        self.lanes(depth + 2)
        self.limit(depth + 3)
        self.put(depth + 1, "spent += 1")
        self.put(depth + 1, "unfinished = np.int32(0)")
        self.lanes(depth + 1)
        self.newton(depth + 2)
        self.count(depth + 2)
        self.stuck(depth)

    def _update(self, depth: int, states: list[str], newest: list[str], written: int) -> None:
        n = self.n
        solved = [f"r{k}" for k in range(n.ports)]
        bends = [f"bend{a}" for a in range(n.ports)]
        midway = self._midway(depth)
        self.lanes(depth)
        if n.ports:
            self.put(depth + 1, f"for a in range({n.ports}):")
            bent = f"{self.row('theta0', 'a')} * {self.row('r0', 'a')}"
            self.put(depth + 2, f"{self.row('bend0', 'a')} = {bent}")
        for first, last in ((0, n.slow), (n.slow, n.states)):
            if first == last:
                continue
            x = self.row("x0", "r")
            self.put(depth + 1, f"for r in range({first}, {last}):")
            self.put(depth + 2, f"total = {self.row('s0', 'r')}")
            self.add(depth + 2, n.states, [("C1", solved), ("CQ", bends)])
            if not first and n.slow:
                lost = self.row("e0", "r")
                self.put(depth + 2, f"total -= {lost}")
                self.put(depth + 2, f"x = {x} + total")
                self.put(depth + 2, f"{lost} = (x - {x}) - total")
            else:
                self.put(depth + 2, f"x = {x} + total")
            self.put(depth + 2, f"{x} = x if abs(x) > {SMALLEST_STATE_V} else 0.0")
        if n.outputs:
            self.put(depth + 1, f"for r in range({n.outputs}):")
            self.put(depth + 2, "total = 0.0")
            self.add(depth + 2, n.outputs, [("L", states), ("M", newest), ("N", solved)])
            self.put(depth + 2, f"{self.row('y0', 'r')} = total")
        if self._flows:
            self.put(depth + 1, f"for r in range({self._flows}):")
            for word, choose in (("least", "min"), ("most", "max")):
                extreme = self.row(f"{word}0", "2 * r")
                self.put(depth + 2, f"{extreme} = {choose}({extreme}, {self.row('y0', 'r')})")
        if n.written:
            self.put(depth + 1, f"for r in range({n.written}):")
            place = f"y[{written} + r, t * {n.steps} + j, l]"
            self.put(depth + 2, f"{place} = {self.row('y0', 'r')}")
        for r, spent in midway:
            self.put(depth + 1, f"{spent} = {spent} + share * {self.at(f'y{r}')}")
        self._shares(depth + 1)
        if n.ports:
            self.put(depth + 1, f"for a in range({n.ports}):")
            self.put(depth + 2, f"{self.row('i0', 'a')} = {self.row('r0', 'a')}")
        self._remember(depth)
