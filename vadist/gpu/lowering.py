"""From the text of a thread to LLVM's language; see :mod:`vadist.kernel.lowering`."""

import ast
import re
from collections.abc import Callable
from typing import Any

from llvmlite import ir

from vadist.kernel.lowering import lowered_by
from vadist.kernel.statements import FLAGS, Lowering

_WHOLE = ir.IntType(64)
_REALS = re.compile(r"work|y|u\d+")
_COUNTS = {"columns": 2, "stuck": 1, "effort": 2}
_OWN = ("s", "o", "statistics")
# Arrays of reals, of whole numbers with how many sides, and those of a thread.

CONSTANT_SPACE = 4
"""Where NVVM keeps tables (NVVM IR specification, address spaces)."""


class ThreadLowering(Lowering):
    """Lowers one function of a thread's text.

    Parameters
    ----------
    space : int
        Where tables are: 0 on a processor.
    """

    reread = ("work", "y")

    def __init__(
        self, function: ast.FunctionDef, module: ir.Module, real: str, others: Any, tables: Any,
        space: int,
    ) -> None:  # fmt: skip
        self.space = space
        super().__init__(function, module, real, others, tables)

    def sides(self, name: str) -> int | None:
        """How many lengths of sides come with an argument: all of them; None of no array."""
        if name in _OWN:
            return 0
        if _REALS.fullmatch(name):
            return {"y": 3, "work": 1}.get(name, 2)
        return _COUNTS.get(name)

    def _kinds(self, name: str) -> list[ir.Type]:
        sides = self.sides(name)
        if sides is None:
            return super()._kinds(name)
        whole = name in _COUNTS or name == "statistics"
        return [(_WHOLE if whole else self.real).as_pointer(), *[_WHOLE] * sides]

    def _do_assign(self, node: ast.Assign) -> None:
        """Arrays of a thread's own are made by ``local`` and ``counts``."""
        name, value = node.targets[0], node.value
        if isinstance(value, ast.Call) and isinstance(value.func, ast.Name):
            element = {"local": self.real, "counts": _WHOLE}.get(value.func.id)
            if element is not None:
                assert isinstance(name, ast.Name)
                kind = ir.ArrayType(element, ast.literal_eval(value.args[0]))
                nothing = ir.Constant(_WHOLE, 0)
                room = self.entry.alloca(kind, name=name.id)
                self.arrays[name.id] = self.entry.gep(room, [nothing, nothing], inbounds=True)
                return
        super()._do_assign(node)

    def _of_subscript(self, node: ast.Subscript) -> ir.Value:
        """Also a length of an array's side."""
        if isinstance(node.value, ast.Attribute):
            assert isinstance(node.value.value, ast.Name)
            return self.sizes[node.value.value.id][ast.literal_eval(node.slice)]
        return super()._of_subscript(node)

    def _of_unaryop(self, node: ast.UnaryOp) -> ir.Value:
        """A change of sign as a difference: NVVM's language knows none."""
        if isinstance(node.op, ast.USub):
            value = self._value(node.operand)
            if value.type == self.real:
                return self.at.fsub(ir.Constant(self.real, -0.0), value, flags=FLAGS)
        return super()._of_unaryop(node)

    def _intrinsic(self, name: str, value: ir.Value) -> ir.Function:
        """A magnitude is a function of libdevice: NVVM's language has none."""
        if name != "llvm.fabs" or not self.space:
            return super()._intrinsic(name, value)
        own = "__nv_fabsf" if self.precision == "float32" else "__nv_fabs"
        module = self.function.module
        if own in module.globals:
            return module.globals[own]
        return ir.Function(module, ir.FunctionType(value.type, [value.type]), own)

    def _operation(self, op: ast.operator, a: ir.Value, b: ir.Value) -> ir.Value:
        """Also the lowest bits of a place in a ring."""
        if isinstance(op, ast.BitAnd):
            return self.at.and_(a, b)
        return super()._operation(op, a, b)


def thread_lowered(text: str, real: str, space: int = 0) -> Callable[..., tuple[Any, Any]]:
    """What numba asks of an intrinsic that stands for a thread's text."""

    def make(node: ast.FunctionDef, module: ir.Module, others: Any, tables: Any) -> Lowering:
        return ThreadLowering(node, module, real, others, tables, space)

    return lowered_by(text, make, space)
