"""Text of what one part of a program hears."""

from vadist.kernel.structure import TAPS, Program


class SignalText:
    """The text of one part, so far as signals go."""

    def __init__(self, program: Program, part: int) -> None:
        self.program, self.part, self.n = program, part, program.parts[part]
        self.held = {name for p, name in program.rows if p == part}
        self.lines: list[str] = []
        self.tables: dict[str, tuple[int, ...]] = {}

    def at(self, name: str) -> str:
        """A per-lane number in the workspace."""
        return f"s[{self.program.rows[self.part, name] * self.program.lanes} + l]"

    def put(self, depth: int, text: str) -> None:
        """Add a line."""
        self.lines.append("    " * depth + text)

    def lanes(self, depth: int) -> None:
        """Begin a loop over the lanes."""
        self.put(depth, f"for l in range({self.program.lanes}):")

    def _turn(self, depth: int) -> None:
        """Coefficients as they are in this step, where knobs are being turned."""
        if self.n.turned:
            self.lanes(depth)
        for name in self.n.turned:
            self.put(depth + 1, f"{self.at(name)} = {self.at(name)} + {self.at(f'turn_{name}')}")

    def _hear(self, depth: int) -> None:
        """Copy what step ``j`` of tick ``t`` takes of every signal into the workspace."""
        n = self.n
        # These loops touch few rows each: copies, which nothing overlaps.
        for k in range(n.signals):
            if k in n.slow_signals:
                self._follow(depth, k)
                continue
            if n.stretch[k] > 1:
                self._draw_out(depth, k)
                continue
            for age in range(n.taken[k]):
                self.lanes(depth)
                heard = self._heard(k, f"j * {n.taken[k]} + {age}")
                self.put(depth + 1, f"{self.at(f'u{k}_{age}')} = {heard}")

    def _heard(self, k: int, sample: str) -> str:
        """A sample of this tick of a signal."""
        kind, index, output = self.program.sources[self.part][k]
        rows, lanes = self.program.rows, self.program.lanes
        if kind == "take":
            return f"u[{index}, t * {self.program.takes[index]} + {sample}, l]"
        return f"s[({rows[index, f'o{output}_0']} + {sample}) * {lanes} + l]"

    def _follow(self, depth: int, k: int) -> None:
        """Where a rail is in the middle and at the end of the step; a one is everywhere."""
        if self.program.sources[self.part][k][0] == "one":
            self.lanes(depth)
            self.put(depth + 1, f"{self.at(f'm{k}')} = 1.0")
            self.put(depth + 1, f"{self.at(f'u{k}_0')} = 1.0")
            return
        rail, rows, lanes = len(self.program.parts), self.program.rows, self.program.lanes
        index, steps = self.program.sources[self.part][k][1], self.n.steps
        real = f"np.{self.program.real}"
        self.put(depth, f"middle, end = {real}((j + 0.5) / {steps}), {real}((j + 1.0) / {steps})")
        self.lanes(depth)
        begin, ahead = (f"s[{rows[rail, f'{word}{index}'] * lanes} + l]" for word in ("v", "u"))
        self.put(depth + 1, f"rail = {begin}")
        self.put(depth + 1, f"moved = {ahead} - rail")
        self.put(depth + 1, f"{self.at(f'm{k}')} = rail + middle * moved")
        self.put(depth + 1, f"{self.at(f'u{k}_0')} = rail + end * moved")

    def _draw_out(self, depth: int, k: int) -> None:
        """A sample between those of a slower signal, on the cubic through the last four."""
        stretch = self.n.stretch[k]
        self.put(depth, f"if j % {stretch} == 0:")
        self.lanes(depth + 1)
        for age in range(TAPS - 1, 0, -1):
            self.put(depth + 2, f"{self.at(f'g{k}_{age}')} = {self.at(f'g{k}_{age - 1}')}")
        self.put(depth + 2, f"{self.at(f'g{k}_0')} = {self._heard(k, f'j // {stretch}')}")
        self.put(depth, f"at = np.{self.program.real}((j % {stretch} + 1) * {1.0 / stretch!r})")
        # Lagrange's polynomials at -2, -1, 0 and 1.
        self.put(depth, "far, near = at + 2.0, at + 1.0")
        self.put(depth, "beyond = at - 1.0")
        self.put(depth, "c3 = near * at * beyond * -0.16666666666666666")
        self.put(depth, "c2 = far * at * beyond * 0.5")
        self.put(depth, "c1 = far * near * beyond * -0.5")
        self.put(depth, "c0 = far * near * at * 0.16666666666666666")
        self.lanes(depth)
        drawn = " + ".join(f"c{age} * {self.at(f'g{k}_{age}')}" for age in range(TAPS))
        self.put(depth + 1, f"{self.at(f'u{k}_0')} = {drawn}")
