"""From the text of a kernel to LLVM's language, without numba's inference of types.

Numba takes milliseconds over every line of a kernel, of which there are thousands. But a kernel has
three types alone (real, whole, true or false) and a few kinds of statement, so its text is lowered
here, statement by statement, into a function of its own; numba compiles, links and keeps what
calls it. Variables are places in memory, which LLVM's first pass makes registers of.
"""

import ast
from collections.abc import Callable
from typing import Any

import numpy as np
from llvmlite import ir
from numba.core import types

_WHOLE, _SHORT, _TRUTH = ir.IntType(64), ir.IntType(32), ir.IntType(1)
_REALS = {"float32": ir.FloatType(), "float64": ir.DoubleType()}
_FLAGS = ("contract", "nsz", "arcp")
# 'contract' allows fused multiply-add, 'nsz' and 'arcp' touch the last digit only; NaN and
# infinity keep their meaning, so that a failed step is seen.
_COMPARED = {ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=", ast.Eq: "=="}
Exponential = Callable[["Lowering", ir.Value], ir.Value]


class Lowering:
    """Lowers one function.

    Parameters
    ----------
    function : ast.FunctionDef
        Arguments are arrays if they are in ``shapes``, else reals or whole numbers.
    module : ir.Module
        Where the function is put.
    real : str
        ``float32`` or ``float64``.
    """

    def __init__(self, function: ast.FunctionDef, module: ir.Module, real: str) -> None:
        self.precision, self.real = real, _REALS[real]
        pointer = self.real.as_pointer()
        whole = _WHOLE.as_pointer()
        # s, u, y and the sizes of u and y, then statistics and the numbers.
        kinds = [
            pointer, pointer, pointer, _WHOLE, _WHOLE, _WHOLE, _WHOLE, _WHOLE, whole, self.real,
            _WHOLE, _WHOLE, _TRUTH,
        ]  # fmt: skip
        names = [
            "s", "u", "y", "u_rows", "u_lanes", "y_rows", "y_lanes", "ticks", "statistics",
            "tolerance", "limit", "start", "resume",
        ]  # fmt: skip
        self.function = ir.Function(
            module, ir.FunctionType(_WHOLE, kinds), f"vadist.{id(function)}"
        )
        self.function.linkage = "internal"
        self.arrays: dict[str, ir.Value] = {}
        self.sizes: dict[str, tuple[ir.Value, ir.Value]] = {}
        self.places: dict[str, ir.Value] = {}
        self.entry = ir.IRBuilder(self.function.append_basic_block("entry"))
        self.at = ir.IRBuilder(self.function.append_basic_block("body"))
        given = dict(zip(names, self.function.args, strict=True))
        for name in ("s", "u", "y", "statistics"):
            given[name].add_attribute("noalias")
            self.arrays[name] = given[name]
        for name in ("u", "y"):
            self.sizes[name] = (given[f"{name}_rows"], given[f"{name}_lanes"])
        for name in ("ticks", "tolerance", "limit", "start", "resume"):
            self._store(name, given[name])
        for statement in function.body:
            self._statement(statement)
        if not self.at.block.is_terminated:
            self.at.ret(ir.Constant(_WHOLE, -1))
        self.entry.branch(self.function.blocks[1])

    def _store(self, name: str, value: ir.Value) -> None:
        if name not in self.places:
            self.places[name] = self.entry.alloca(value.type, name=name)
        kept = self.places[name].type.pointee
        self.at.store(self._as(value, kept), self.places[name])

    def _as(self, value: ir.Value, kind: ir.Type) -> ir.Value:
        """Value as another type: whole numbers become reals, and only they."""
        if value.type == kind:
            return value
        if kind == self.real and value.type == _WHOLE:
            return self.at.sitofp(value, kind)
        raise TypeError(f"a kernel turns {value.type} into {kind}")

    # Statements

    def _statement(self, node: ast.stmt) -> None:
        getattr(self, f"_do_{type(node).__name__.lower()}")(node)

    def _body(self, statements: list[ast.stmt], then: ir.Block) -> None:
        for statement in statements:
            self._statement(statement)
        if not self.at.block.is_terminated:
            self.at.branch(then)

    def _do_assign(self, node: ast.Assign) -> None:
        target = node.targets[0]
        if isinstance(target, ast.Tuple):
            assert isinstance(node.value, ast.Tuple)
            values = [self._value(v) for v in node.value.elts]
            for name, value in zip(target.elts, values, strict=True):
                assert isinstance(name, ast.Name)
                self._store(name.id, value)
        elif isinstance(target, ast.Subscript):
            value = self._value(node.value)
            place = self._place(target)
            self.at.store(self._as(value, place.type.pointee), place)
        else:
            assert isinstance(target, ast.Name)
            self._store(target.id, self._value(node.value))

    def _do_augassign(self, node: ast.AugAssign) -> None:
        if isinstance(node.target, ast.Subscript):
            place = self._place(node.target)
            value = self._operation(node.op, self.at.load(place), self._value(node.value))
            self.at.store(value, place)
            return
        assert isinstance(node.target, ast.Name)
        before = self.at.load(self.places[node.target.id])
        self._store(node.target.id, self._operation(node.op, before, self._value(node.value)))

    def _do_return(self, node: ast.Return) -> None:
        assert node.value is not None
        self.at.ret(self._value(node.value))
        self.at = ir.IRBuilder(self.function.append_basic_block("after"))

    def _do_if(self, node: ast.If) -> None:
        test = self._value(node.test)
        inside = self.function.append_basic_block("then")
        after = self.function.append_basic_block("on")
        self.at.cbranch(test, inside, after)
        self.at = ir.IRBuilder(inside)
        self._body(node.body, after)
        self.at = ir.IRBuilder(after)

    def _do_while(self, node: ast.While) -> None:
        head = self.function.append_basic_block("while")
        inside = self.function.append_basic_block("do")
        after = self.function.append_basic_block("done")
        self.at.branch(head)
        self.at = ir.IRBuilder(head)
        self.at.cbranch(self._value(node.test), inside, after)
        self.at = ir.IRBuilder(inside)
        self._body(node.body, head)
        self.at = ir.IRBuilder(after)

    def _do_for(self, node: ast.For) -> None:
        assert isinstance(node.target, ast.Name)
        assert isinstance(node.iter, ast.Call)
        bounds = [self._value(argument) for argument in node.iter.args]
        first, last = bounds if len(bounds) == 2 else (ir.Constant(_WHOLE, 0), bounds[0])
        self._store(node.target.id, first)
        head = self.function.append_basic_block("for")
        inside = self.function.append_basic_block("each")
        after = self.function.append_basic_block("end")
        self.at.branch(head)
        self.at = ir.IRBuilder(head)
        place = self.places[node.target.id]
        self.at.cbranch(self.at.icmp_signed("<", self.at.load(place), last), inside, after)
        self.at = ir.IRBuilder(inside)
        for statement in node.body:
            self._statement(statement)
        one = ir.Constant(_WHOLE, 1)
        self.at.store(self.at.add(self.at.load(place), one, flags=("nsw",)), place)
        self.at.branch(head)
        self.at = ir.IRBuilder(after)

    # Values

    def _value(self, node: ast.expr) -> ir.Value:
        value: ir.Value = getattr(self, f"_of_{type(node).__name__.lower()}")(node)
        return value

    def _of_constant(self, node: ast.Constant) -> ir.Value:
        if isinstance(node.value, float):
            return ir.Constant(self.real, float(getattr(np, self.precision)(node.value)))
        return ir.Constant(_WHOLE, node.value)

    def _of_name(self, node: ast.Name) -> ir.Value:
        return self.at.load(self.places[node.id])

    def _of_subscript(self, node: ast.Subscript) -> ir.Value:
        return self.at.load(self._place(node))

    def _place(self, node: ast.Subscript) -> ir.Value:
        assert isinstance(node.value, ast.Name)
        name = node.value.id
        if isinstance(node.slice, ast.Tuple):
            rows, lanes = self.sizes[name]
            row, step, lane = (self._value(part) for part in node.slice.elts)
            index = self._whole(
                "mul", self._whole("add", self._whole("mul", row, rows), step), lanes
            )
            index = self._whole("add", index, lane)
        else:
            index = self._value(node.slice)
        return self.at.gep(self.arrays[name], [index], inbounds=True)

    def _whole(self, operation: str, a: ir.Value, b: ir.Value) -> ir.Value:
        value: ir.Value = getattr(self.at, operation)(a, b, flags=("nsw",))
        return value

    def _of_unaryop(self, node: ast.UnaryOp) -> ir.Value:
        value = self._value(node.operand)
        if isinstance(node.op, ast.Not):
            return self.at.not_(value)
        assert isinstance(node.op, ast.USub)
        return self.at.neg(value) if value.type == _WHOLE else self.at.fneg(value, flags=_FLAGS)

    def _of_binop(self, node: ast.BinOp) -> ir.Value:
        return self._operation(node.op, self._value(node.left), self._value(node.right))

    def _operation(self, op: ast.operator, a: ir.Value, b: ir.Value) -> ir.Value:
        if isinstance(a.type, ir.IntType) and a.type == b.type and not isinstance(op, ast.Div):
            names = {ast.Add: "add", ast.Sub: "sub", ast.Mult: "mul"}
            if type(op) in names:
                return self._whole(names[type(op)], a, b)
            # Whole numbers of a kernel are never negative where they are divided.
            return self.at.sdiv(a, b) if isinstance(op, ast.FloorDiv) else self.at.srem(a, b)
        names = {ast.Add: "fadd", ast.Sub: "fsub", ast.Mult: "fmul", ast.Div: "fdiv"}
        a, b = self._as(a, self.real), self._as(b, self.real)
        value: ir.Value = getattr(self.at, names[type(op)])(a, b, flags=_FLAGS)
        return value

    def _of_compare(self, node: ast.Compare) -> ir.Value:
        a, b = self._value(node.left), self._value(node.comparators[0])
        sign = _COMPARED[type(node.ops[0])]
        if isinstance(a.type, ir.IntType):
            return self.at.icmp_signed(sign, *(self._widened(value) for value in (a, b)))
        return self.at.fcmp_ordered(sign, self._as(a, self.real), self._as(b, self.real))

    def _widened(self, value: ir.Value) -> ir.Value:
        return self.at.sext(value, _WHOLE) if value.type == _SHORT else value

    def _of_boolop(self, node: ast.BoolOp) -> ir.Value:
        join = self.at.and_ if isinstance(node.op, ast.And) else self.at.or_
        first, second = (self._value(value) for value in node.values)
        return join(first, second)

    def _of_ifexp(self, node: ast.IfExp) -> ir.Value:
        test, yes, no = (self._value(part) for part in (node.test, node.body, node.orelse))
        return self.at.select(test, yes, no)

    def _of_call(self, node: ast.Call) -> ir.Value:
        name = node.func.attr if isinstance(node.func, ast.Attribute) else None
        if isinstance(node.func, ast.Name):
            name = node.func.id
        values = [self._value(argument) for argument in node.args]
        if name in ("min", "max"):
            return self._extreme(name, *values)
        if name == "int32":
            return values[0] if values[0].type == _SHORT else self.at.trunc(values[0], _SHORT)
        if name in ("float32", "float64"):
            return self._as(values[0], self.real)
        if name == "exponential_less_one":
            return self._exponential(values[0])
        intrinsic = {"abs": "llvm.fabs", "sqrt": "llvm.sqrt"}[str(name)]
        function = self.function.module.declare_intrinsic(intrinsic, [self.real])
        return self.at.call(function, values, fastmath=_FLAGS)

    def _extreme(self, name: str, a: ir.Value, b: ir.Value) -> ir.Value:
        """The first unless the second is beyond it: a first one that is no number stays."""
        sign = "<" if name == "min" else ">"
        if a.type == _WHOLE:
            return self.at.select(self.at.icmp_signed(sign, b, a), b, a)
        return self.at.select(self.at.fcmp_ordered(sign, b, a), b, a)

    def _exponential(self, x: ir.Value) -> ir.Value:
        """e**x - 1; the same as :mod:`vadist.devices.exponential`, whose numbers it takes."""
        from vadist.devices import exponential as e

        single = self.precision == "float32"
        end = "_F" if single else ""
        bits, shift = (ir.IntType(32), 23) if single else (ir.IntType(64), 52)

        def number(name: str) -> ir.Value:
            return ir.Constant(self.real, float(getattr(e, name)))

        def times(a: ir.Value, b: ir.Value) -> ir.Value:
            return self.at.fmul(a, b, flags=_FLAGS)

        def plus(a: ir.Value, b: ir.Value) -> ir.Value:
            return self.at.fadd(a, b, flags=_FLAGS)

        def minus(a: ir.Value, b: ir.Value) -> ir.Value:
            return self.at.fsub(a, b, flags=_FLAGS)

        largest = number(f"_LARGEST{end}")
        x = self._extreme("max", x, ir.Constant(self.real, -float(getattr(e, f"_LARGEST{end}"))))
        x = self._extreme("min", x, largest)
        # These two must not be told apart from what they say.
        shifted = self.at.fadd(
            self.at.fmul(x, number(f"_LOG2_E{end}"), flags=("contract",)), number(f"_SHIFT{end}"),
            flags=("contract",),
        )  # fmt: skip
        k = self.at.fsub(shifted, number(f"_SHIFT{end}"))
        r = minus(minus(x, times(k, number(f"_LN2_HIGH{end}"))), times(k, number(f"_LN2_LOW{end}")))
        if single:
            p = number("_F6")
            for name in ("_F5", "_F4", "_F3", "_F2"):
                p = plus(times(p, r), number(name))
            p = plus(times(times(p, r), r), r)
        else:
            s = times(r, r)
            q = times(s, s)
            c = [number(f"_C{k}") for k in range(2, 12)]
            low = plus(times(plus(times(c[3], r), c[2]), s), plus(times(c[1], r), c[0]))
            middle = plus(times(plus(times(c[7], r), c[6]), s), plus(times(c[5], r), c[4]))
            high = plus(times(plus(times(plus(times(c[9], r), c[8]), q), middle), q), low)
            p = plus(times(high, s), r)
        word = self.at.shl(self.at.bitcast(shifted, bits), ir.Constant(bits, shift))
        power = self.at.bitcast(word, self.real)
        return plus(times(power, p), minus(power, ir.Constant(self.real, 1.0)))


def lowered(text: str, real: str) -> Callable[..., tuple[Any, Any]]:
    """What numba asks of an intrinsic that stands for a kernel's ``run``.

    Parameters
    ----------
    text : str
        Of the function ``run``.
    real : str
        ``float32`` or ``float64``.
    """

    def typed(
        _: Any, s: Any, u: Any, y: Any, ticks: Any, statistics: Any, tolerance: Any, limit: Any,
        start: Any, resume: Any,
    ) -> tuple[Any, Any]:  # fmt: skip
        given = (s, u, y, ticks, statistics, tolerance, limit, start, resume)
        return types.intp(*given), built

    def built(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        function = ast.parse(text).body[0]
        assert isinstance(function, ast.FunctionDef)
        lowering = Lowering(function, builder.module, real)
        arrays = {}
        for place in (0, 1, 2, 4):
            kind = signature.args[place]
            arrays[place] = context.make_array(kind)(context, builder, values[place])
        sizes = []
        for place in (1, 2):
            shape = [builder.extract_value(arrays[place].shape, k) for k in range(3)]
            sizes += shape[1:]
        truth = values[8]
        if truth.type != _TRUTH:
            truth = builder.trunc(truth, _TRUTH)
        given = [
            arrays[0].data, arrays[1].data, arrays[2].data, *sizes, values[3], arrays[4].data,
            values[5], values[6], values[7], truth,
        ]  # fmt: skip
        return builder.call(lowering.function, given)

    return typed
