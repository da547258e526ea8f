"""Source text of the time-stepping kernel of one structure.

A kernel over any number of ports and states would spend its time on loop counters and on memory.
So the text is written out for each structure: straight-line code inside one loop over lanes, all
per-lane numbers in one flat workspace with a literal row length, which lets LLVM vectorise over
lanes without a single aliasing check. Everything is counted from the operating point.

A text longer than :data:`vadist.kernel.structure.LONGEST_TEXT` is one function a part, its lanes
are made vectors of by :mod:`vadist.kernel.lane_vectors`, and its larger parts are loops
(:mod:`vadist.kernel.loop_text`).
"""

from vadist.kernel.loop_text import LoopText
from vadist.kernel.part_text import SMALLEST_STATE_V, PartText
from vadist.kernel.structure import Program

_HEADER = '''"""Generated; see vadist.kernel.generate."""

from numba import njit
from numba.extending import intrinsic

from vadist.kernel.lowering import lowered
'''

_FOOTER = """

_stepped = intrinsic(lowered(TEXT, "{real}"{lanes}))


@njit(nogil=True, cache=True)
def run(s, u, y, ticks, statistics, tolerance, limit, start, resume):
    return _stepped(s, u, y, ticks, statistics, tolerance, limit, start, resume)
"""

_ONE_LANE = """

_{word} = intrinsic(lowered({text!r}, "{real}"))


@njit(nogil=True, cache=True)
def {word}({arguments}):
    return _{word}({arguments})
"""

_STEP = "s, u, y, statistics, tolerance, limit, t, j, fresh"
"""What the step of a part takes where parts are functions of their own."""


def kernel_source(program: Program) -> str:
    """Python source of a program's kernel.

    It defines ``run(s, u, y, ticks, statistics, tolerance, limit, start, resume)``, compiled, which
    goes on from step ``start`` and returns the first step it could not solve, or -1; and, for each
    part with devices, ``newton0(s, tolerance, l)`` and ``limit0(s, l)``: the same Newton step, and
    the limit on where the next one starts, for a single lane, compiled when
    :mod:`vadist.kernel.rescue` first calls them.

    Steps are counted as ``(tick * parts + part) * most + step``, most being the steps of the
    fastest part. ``u`` is (signals, samples, lanes), ``y`` (written, steps, lanes), each row as
    long as its own pace has it; ``statistics`` (parts, 2) counts Newton steps and steps. With
    ``resume`` the first step's remainders are taken as solved.
    """
    writer = _Program(program)
    return writer.source()


def program_text(program: Program) -> str:
    """Tables and functions of a program; the last is ``run``, without how it is compiled.

    What :func:`kernel_source` lowers to LLVM's language, and what threads of a graphics card run.
    """
    return _Program(program).text()


def _without_empty_loops(lines: list[str]) -> list[str]:
    """Leave out loops and conditions over nothing: a part of rails alone has nothing to step."""
    kept: list[str] = []
    deeper = -1  # indentation of the line that follows
    for line in reversed(lines):
        indent = len(line) - len(line.lstrip())
        if line.endswith(":") and deeper <= indent:
            continue
        kept.append(line)
        deeper = indent
    return kept[::-1]


class _Program:
    """The text of a program."""

    def __init__(self, program: Program) -> None:
        self.program = program
        self.parts = [
            (LoopText if looped else PartText)(program, k)
            for k, looped in enumerate(program.looped)
        ]
        self.lines: list[str] = []
        for part in self.parts:
            part.lines = self.lines

    def put(self, depth: int, text: str) -> None:
        self.lines.append("    " * depth + text)

    def at(self, name: str) -> str:
        """A per-lane number of the rails."""
        return self.program.at_rails(name)

    def source(self) -> str:
        n = self.program
        rescue = "".join(self._rescue(k) for k, part in enumerate(n.parts) if part.ports)
        lanes = f", {n.lanes}" if n.large else ""
        footer = _FOOTER.format(real=n.real, lanes=lanes) + rescue
        return f'{_HEADER}\nTEXT = """\n{self.text()}\n"""\n{footer}'

    def text(self) -> str:
        """Tables and functions."""
        self._run()
        tables = "".join(self._tables(part) for part in self.parts)
        return tables + self._taken(end="")

    def _taken(self, end: str = "\n") -> str:
        """The lines so far, which begin anew."""
        text = "\n".join(_without_empty_loops(self.lines)) + end
        self.lines.clear()
        return text

    @staticmethod
    def _tables(part: PartText) -> str:
        return "".join(f"{name} = {numbers}\n" for name, numbers in part.tables.items())

    def _rescue(self, k: int) -> str:
        """What the rescue calls of a part."""
        part, source = self.parts[k], ""
        for word, arguments in (("newton", "s, tolerance, l"), ("limit", "s, l")):
            self.put(0, f"def {word}({arguments}):")
            getattr(part, word)(1)
            self.put(1, "return 0")
            text = self._taken()
            source += _ONE_LANE.format(
                word=f"{word}{k}", arguments=arguments, text=self._tables(part) + text,
                real=self.program.real,
            )  # fmt: skip
        return source

    def _run(self) -> None:
        n = self.program
        parts, most = len(self.parts), n.most_steps
        places = [sum(part.n.written for part in self.parts[:k]) for k in range(parts)]
        if n.large:
            for k, part in enumerate(self.parts):
                self.put(0, f"def part{k}({_STEP}):")
                part.step(1, places[k])
                self.put(1, "return -1")
        self.put(0, "def run(s, u, y, ticks, statistics, tolerance, limit, start, resume):")
        self.put(1, f"for t in range(start // {parts * most}, ticks):")
        if n.rails:
            # Rails move slowly: where they will stand at the end of the tick is told by a line.
            self.put(2, f"for l in range({n.lanes}):")
            for r in range(n.rails):
                ahead = f"2.0 * {self.at(f'v{r}')} - {self.at(f'v_old{r}')}"
                self.put(3, f"{self.at(f'u{r}')} = {ahead}")
                self.put(3, f"{self.at(f'spent{r}')} = 0.0")
        for k, part in enumerate(self.parts):
            steps = part.n.steps
            self.put(2, f"begin = start - (t * {parts} + {k}) * {most}")
            self.put(2, f"for j in range(min(max(begin, 0), {steps}), {steps}):")
            self.put(3, "fresh = j > begin or not resume")
            if n.large:
                self.put(3, f"stuck = part{k}({_STEP})")
                self.put(3, "if stuck >= 0:")
                self.put(4, "return stuck")
            else:
                part.step(3, places[k])
        if n.rails:
            self._rails()
        self.put(1, "return -1")

    def _rails(self) -> None:
        """Charges of the rails at the end of the tick, and what volts they make."""
        n, rails = self.program, range(self.program.rails)
        self.put(2, f"for l in range({n.lanes}):")
        for r in rails:
            flows = [
                f"{1.0 / part.n.steps!r} * {part.at(f'y{n.flows[k] + r}')}"
                for k, part in enumerate(self.parts)
                if n.flows[k] >= 0
            ]
            charges = [
                part.at(f"y{n.flows[k] + n.rails + r}")
                for k, part in enumerate(self.parts)
                if n.flows[k] >= 0
            ]
            self.put(3, f"flow{r} = {' + '.join(flows)}")
            self.put(3, f"held{r} = {' + '.join(charges)}")
        for r in rails:
            self.put(3, f"v{r} = {self.at(f'v{r}')}")
            self.put(3, f"middle{r} = 1.5 * v{r} - 0.5 * {self.at(f'v_old{r}')}")
        for r in rails:
            leaks = " + ".join(f"{self.at(f'G_{r}_{k}')} * middle{k}" for k in rails)
            spent = f"flow{r} + {self.at(f'spent{r}')} + {self.at(f'flow{r}')}"
            out = f"{self.at(f'tick{r}')} * ({spent})"
            self.put(3, f"grown = -({leaks}) - {out} - {self.at(f'q_lost{r}')}")
            self.put(3, f"q = {self.at(f'q{r}')} + grown")
            self.put(3, f"{self.at(f'q_lost{r}')} = (q - {self.at(f'q{r}')}) - grown")
            self.put(3, f"{self.at(f'q{r}')} = q if abs(q) > {SMALLEST_STATE_V} else 0.0")
            self.put(3, f"{self.at(f'flow{r}')} = flow{r}")
            self.put(3, f"{self.at(f'v_old{r}')} = v{r}")
        for r in rails:
            volts = " + ".join(
                f"{self.at(f'R_{r}_{k}')} * ({self.at(f'q{k}')} - held{k})" for k in rails
            )
            self.put(3, f"{self.at(f'v{r}')} = {volts}")
