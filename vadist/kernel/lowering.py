"""From the text of a kernel to LLVM's language, without numba's inference of types.

Numba takes milliseconds over every line of a kernel, of which there are thousands. But a kernel has
three types alone (real, whole, true or false) and a few kinds of statement, so its text is lowered
here, statement by statement, into a function of its own; numba compiles, links and keeps what
calls it. Variables are places in memory, which LLVM's first pass makes registers of.
"""

import ast
import inspect
from collections.abc import Callable
from typing import Any

from llvmlite import ir
from numba.core import types

from vadist.kernel.lane_vectors import LaneVectors
from vadist.kernel.statements import SHORT, TRUTH, Lowering

Make = Callable[
    [ast.FunctionDef, ir.Module, dict[str, Lowering], dict[str, ir.GlobalVariable]], Lowering
]
"""Lowers a function, given those before it and the tables."""


def lowered(text: str, real: str, lanes: int = 1) -> Callable[..., tuple[Any, Any]]:
    """What numba asks of an intrinsic that stands for the last function of a text.

    Parameters
    ----------
    text : str
        Tables of whole numbers, and functions; others are called by the last.
    real : str
        ``float32`` or ``float64``.
    lanes : int, optional
        More than one: loops over so many lanes become vectors here and not in LLVM.
    """

    def make(node: ast.FunctionDef, module: ir.Module, others: Any, tables: Any) -> Lowering:
        if lanes > 1:
            return LaneVectors(node, module, real, others, tables, lanes)
        return Lowering(node, module, real, others, tables)

    return lowered_by(text, make)


def lowered_by(text: str, make: Make, space: int = 0) -> Callable[..., tuple[Any, Any]]:
    """The same, each function lowered as told; ``space`` is where tables are put."""
    *_, last = ast.parse(text).body
    assert isinstance(last, ast.FunctionDef)
    names = ["context", *(argument.arg for argument in last.args.args)]

    def typed(_: Any, *given: Any) -> tuple[Any, Any]:
        return types.intp(*given), built

    def built(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        run = _functions(text, builder.module, make, space)
        given = dict(zip(run.names, values, strict=True))
        arrays = {}
        for name, kind in zip(run.names, signature.args, strict=True):
            sides = run.sides(name)
            if sides is not None:
                array = context.make_array(kind)(context, builder, given[name])
                lengths = range(kind.ndim - sides, kind.ndim)
                arrays[name] = [array.data]
                arrays[name] += [builder.extract_value(array.shape, k) for k in lengths]
        if "resume" in given and given["resume"].type != TRUTH:
            given["resume"] = builder.trunc(given["resume"], TRUTH)
        return builder.call(run.function, run.given(arrays, given))

    # Numba asks for the names of the arguments.
    kind = inspect.Parameter.POSITIONAL_OR_KEYWORD
    signature = inspect.Signature([inspect.Parameter(name, kind) for name in names])
    setattr(typed, "__signature__", signature)  # noqa: B010
    return typed


def _functions(text: str, module: ir.Module, make: Make, space: int) -> Lowering:
    """Lower a text; the last of its functions."""
    functions: dict[str, Lowering] = {}
    tables: dict[str, ir.GlobalVariable] = {}
    *nodes, last = ast.parse(text).body
    for node in (*nodes, last):
        if isinstance(node, ast.Assign):
            assert isinstance(node.targets[0], ast.Name)
            numbers = ast.literal_eval(node.value)
            kind = ir.ArrayType(SHORT, len(numbers))
            table = ir.GlobalVariable(module, kind, f"vadist_{id(node)}", space)
            table.linkage, table.global_constant = "internal", True
            table.initializer = ir.Constant(kind, numbers)
            tables[node.targets[0].id] = table
            continue
        assert isinstance(node, ast.FunctionDef)
        made = make(node, module, functions, tables)
        if node is not last:
            made.function.attributes.add("noinline")
        functions[node.name] = made
    return made
