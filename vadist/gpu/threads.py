"""From the text of a program's kernel to one thread a lane.

The text is the one that :mod:`vadist.kernel.generate` writes for a single lane, laws included;
what is exchanged here is how a lane is told and where its numbers lie:

- loops over lanes are left out; numbers of the workspace that change become variables of the
  thread, or, where loops look them up by a number, an array of its own, and those that do not are
  read where they are used;
- signals that come in and outputs are rings on the card, (samples, lanes), and (rows, steps,
  lanes): neighbouring threads read neighbouring numbers;
- a run begins at the first step of a block, and ends where a lane does not converge: its position
  is left in ``stuck``, for such a lane is rendered again where it can be rescued.
"""

import ast
import re
from collections.abc import Sequence

from vadist.kernel.generate import program_text
from vadist.kernel.structure import Program

_ROW = re.compile(r"\brow(\d+)\b")

WARP = 32
"""Threads that read side by side."""


def thread_text(program: Program, heard: Sequence[int] | None = None) -> str:
    """Text of a program's kernel for one lane a thread.

    It ends with ``run(work, u0, u1, ..., columns, y, stuck, effort, before, ticks, tolerance,
    limit, lane)``: ``work`` is the workspace, (lanes / WARP, rows, WARP) flat, so that where a
    number lies is a constant behind where a thread's first one does; ``u0, u1, ...`` (samples,
    columns) are the signals from outside, rings of a power of two of samples, of which a lane hears
    the column that ``columns`` (signals, lanes) tells; ``y`` (heard, steps, lanes) likewise takes
    the outputs; ``stuck`` (lanes,) holds -1 or the step that could not be solved, ``effort``
    (2 parts, lanes) counts Newton steps and steps; ``before`` is the number of ticks run so far.

    Parameters
    ----------
    program : Program
        Of one lane.
    heard : sequence of int, optional
        Outputs that are wanted, of all that the program writes; all by default. A program that is
        long enough to be loops writes all.
    """
    *nodes, last = ast.parse(program_text(program)).body
    assert isinstance(last, ast.FunctionDef)
    text = "".join(f"{ast.unparse(node)}\n" for node in nodes if isinstance(node, ast.Assign))
    for part in nodes:
        if isinstance(part, ast.FunctionDef):
            arguments = ", ".join(_arguments(program, [a.arg for a in part.args.args]))
            text += f"def {part.name}({arguments}):\n"
            text += _indented(_Threads(program, None).function(part))
    kernel = _Threads(program, None if program.large else heard)
    body = kernel.function(last)
    taken = "".join(f"u{k}, " for k in range(len(program.takes)))
    text += f"def run(work, {taken}columns, y, stuck, effort, before, ticks, "
    text += "tolerance, limit, lane):\n"
    return text + _indented([*kernel.beginning(), *body, *kernel.end(), "return -1"])


def _arguments(program: Program, names: list[str]) -> list[str]:
    """What the step of a part takes of a thread."""
    found: list[str] = []
    for name in names:
        if name == "u":
            found += [f"u{k}" for k in range(len(program.takes))]
        elif name == "y":
            found += ["columns", "y", "before", "lane"]
        elif name != "fresh":
            found.append(name)
    return found


def _indented(lines: Sequence[str]) -> str:
    return "".join(f"    {line}\n" for text in lines for line in text.split("\n"))


class _Threads(ast.NodeTransformer):
    """Rewrites one function.

    Parameters
    ----------
    program : Program
    heard : sequence of int or None
        Outputs that are kept, in their order; None for all.
    """

    def __init__(self, program: Program, heard: Sequence[int] | None) -> None:
        self.program = program
        self.heard = None if heard is None else {row: k for k, row in enumerate(heard)}
        self.alone = not program.large
        self.kept: dict[int, None] = {}
        self.inner: dict[int, int] = {}
        self.room = 0
        if self.alone:
            for p, output in sorted(program.inner):
                self.inner[program.rows[p, f"o{output}_0"]] = self.room
                self.room += program.parts[p].steps

    def function(self, node: ast.FunctionDef) -> list[str]:
        """The lines of a function's body."""
        self._kernel = node.name == "run"
        found: list[str] = []
        for statement in node.body:
            found += [ast.unparse(ast.fix_missing_locations(s)) for s in self._made(statement)]
        return [_ROW.sub(self._kept_or_not, line) for line in found]

    def _kept_or_not(self, row: "re.Match[str]") -> str:
        """What never changes is read where it is used: a thread has no room to keep it."""
        number = int(row[1])
        return row[0] if number in self.kept else _place(number)

    def beginning(self) -> list[str]:
        """What a thread does before its first step."""
        n, count = self.program, len(self.program.rows)
        lines = ["if lane >= stuck.shape[0]:", "    return -1"]
        lines += ["if stuck[lane] >= 0:", "    return -1"]
        lines.append(f"first = lane // {WARP} * {count * WARP} + lane % {WARP}")
        if self.alone:
            lines += [f"row{row} = {_place(row)}" for row in sorted(self.kept)]
            if self.room:
                lines.append(f"o = local({self.room})")
        else:
            lines.append(f"s = local({count})")
            lines += [f"for r in range({count}):", f"    s[r] = work[first + r * {WARP}]"]
        spent = 2 * len(n.parts)
        lines.append(f"statistics = counts({spent})")
        return [*lines, *(f"statistics[{k}] = 0" for k in range(spent))]

    def end(self) -> list[str]:
        """What it does after its last."""
        n = self.program
        if self.alone:
            lines = [f"{_place(row)} = row{row}" for row in sorted(self.kept)]
        else:
            lines = [f"for r in range({len(n.rows)}):", f"    work[first + r * {WARP}] = s[r]"]
        return [
            *lines,
            *(
                f"effort[{k}, lane] = effort[{k}, lane] + statistics[{k}]"
                for k in range(2 * len(n.parts))
            ),
        ]

    def _made(self, node: ast.stmt) -> list[ast.stmt]:
        found = self.visit(node)
        return found if isinstance(found, list) else [] if found is None else [found]

    def _all(self, statements: Sequence[ast.stmt]) -> list[ast.stmt]:
        return [made for statement in statements for made in self._made(statement)]

    # Statements

    def visit_For(self, node: ast.For) -> ast.stmt | list[ast.stmt] | None:
        """A loop over lanes is its body; steps begin at the first."""
        assert isinstance(node.target, ast.Name)
        assert isinstance(node.iter, ast.Call)
        body = self._all(node.body)
        if node.target.id == "l" or not body:
            return body
        ends = node.iter.args
        if node.target.id in ("t", "j"):
            ends = ends[-1:]
        node.iter = ast.Call(ast.Name("range"), [self.visit(end) for end in ends], [])
        node.body = body
        return node

    def visit_While(self, node: ast.While) -> ast.stmt:
        """As it stands."""
        node.test, node.body = self.visit(node.test), self._all(node.body)
        return node

    def visit_If(self, node: ast.If) -> ast.stmt | list[ast.stmt]:
        """Every step is a fresh one."""
        body = self._all(node.body)
        if isinstance(node.test, ast.Name) and node.test.id == "fresh":
            return body
        node.test, node.body = self.visit(node.test), body
        return node

    def visit_Return(self, node: ast.Return) -> ast.stmt | list[ast.stmt] | None:
        """A lane that is stuck ends; one that is not goes on to its end."""
        assert node.value is not None
        if not self._kernel:
            return ast.Return(self.visit(node.value))
        if ast.unparse(node.value) == "-1":
            return None
        place = ast.Subscript(ast.Name("stuck"), ast.Name("lane"), ast.Store())
        return [ast.Assign([place], self.visit(node.value)), ast.Return(ast.Constant(0))]

    def visit_Assign(self, node: ast.Assign) -> ast.stmt | None:
        """Outputs that nobody hears are left out."""
        target = node.targets[0]
        if isinstance(target, ast.Name) and target.id in ("begin", "fresh"):
            return None
        value = self.visit(node.value)
        if isinstance(target, ast.Subscript) and self._is(target, "y") and self.heard is not None:
            assert isinstance(target.slice, ast.Tuple)
            row = ast.literal_eval(target.slice.elts[0])
            if row not in self.heard:
                return None
            target.slice.elts[0] = ast.Constant(self.heard[row])
        return ast.Assign([self.visit(target)], value)

    def visit_AugAssign(self, node: ast.AugAssign) -> ast.stmt:
        """Read and written."""
        before = self.visit(ast.parse(ast.unparse(node.target), mode="eval").body)
        value = ast.BinOp(before, node.op, self.visit(node.value))
        return ast.Assign([self.visit(node.target)], value)

    # Values

    @staticmethod
    def _is(node: ast.Subscript, name: str) -> bool:
        return isinstance(node.value, ast.Name) and node.value.id == name

    def visit_Subscript(self, node: ast.Subscript) -> ast.expr:
        """Where a number of the lane lies."""
        if self._is(node, "s"):
            return self._number(node)
        if self._is(node, "u") or self._is(node, "y"):
            assert isinstance(node.slice, ast.Tuple)
            row, step = ast.unparse(node.slice.elts[0]), _Since().visit(node.slice.elts[1])
            own = "y" if self._is(node, "y") else f"u{row}"
            ring = f"{own}.shape[{int(own == 'y')}] - 1"
            at = f"({ast.unparse(self.visit(step))}) & ({ring})"
            where = f"{row}, {at}, lane" if own == "y" else f"{at}, columns[{row}, lane]"
            return ast.parse(f"{own}[{where}]", mode="eval").body
        node.slice = self.visit(node.slice)
        return node

    def _number(self, node: ast.Subscript) -> ast.expr:
        index = self.visit(node.slice)
        if not self.alone:
            return ast.Subscript(ast.Name("s"), index, node.ctx)
        if isinstance(index, ast.Constant):
            row = int(str(index.value))
            if isinstance(node.ctx, ast.Store):
                self.kept[row] = None
            return ast.Name(f"row{row}", node.ctx)
        first = index  # a row and how many behind it
        while isinstance(first, ast.BinOp):
            first = first.left
        assert isinstance(first, ast.Constant)
        first.value = self.inner[int(str(first.value))]
        return ast.Subscript(ast.Name("o"), index, node.ctx)

    def visit_Name(self, node: ast.Name) -> ast.expr:
        """The lane is the thread."""
        return ast.Constant(0) if node.id == "l" else node

    def visit_BinOp(self, node: ast.BinOp) -> ast.expr:
        """Without what adds or multiplies nothing."""
        left: ast.expr = self.visit(node.left)
        right: ast.expr = self.visit(node.right)
        nothing = 0 if isinstance(node.op, ast.Add) else 1
        if isinstance(node.op, ast.Add | ast.Mult) and _is_whole(right, nothing):
            return left
        if isinstance(node.op, ast.Add) and _is_whole(left, 0):
            return right
        return ast.BinOp(left, node.op, right)

    def visit_Call(self, node: ast.Call) -> ast.expr:
        """Of a part, with what a thread has."""
        values = [self.visit(argument) for argument in node.args]
        name = node.func
        if isinstance(name, ast.Name) and name.id.startswith("part"):
            given = _arguments(self.program, [ast.unparse(a) for a in node.args])
            return ast.Call(name, [ast.Name(g) for g in given], [])
        return ast.Call(name, values, [])


def _place(row: int) -> str:
    return f"work[first + {row * WARP}]"


class _Since(ast.NodeTransformer):
    """Counts ticks from the beginning and not from that of a block."""

    def visit_Name(self, node: ast.Name) -> ast.expr:
        """The tick."""
        return ast.parse("(before + t)", mode="eval").body if node.id == "t" else node


def _is_whole(node: ast.expr, value: int) -> bool:
    return isinstance(node, ast.Constant) and type(node.value) is int and node.value == value
