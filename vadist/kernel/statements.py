"""Statements of a kernel in LLVM's language; see :mod:`vadist.kernel.lowering`."""

import ast

import numpy as np
from llvmlite import ir

from vadist.kernel.lowered_exponential import exponential_less_one

_WHOLE, SHORT, TRUTH = ir.IntType(64), ir.IntType(32), ir.IntType(1)
_REALS = {"float32": ir.FloatType(), "float64": ir.DoubleType()}
FLAGS = ("contract", "nsz", "arcp")
# 'contract' allows fused multiply-add, 'nsz' and 'arcp' touch the last digit only; NaN and
# infinity keep their meaning, so that a failed step is seen.
ARRAYS, BLOCKS = ("s", "u", "y", "statistics"), ("u", "y")
_COMPARED = {ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=", ast.Eq: "=="}


class Lowering:
    """Lowers one function.

    Parameters
    ----------
    function : ast.FunctionDef
        The name of an argument tells what kind it is of.
    module : ir.Module
        Where the function is put.
    real : str
        ``float32`` or ``float64``.
    others : dict of str to ir.Function, optional
        Functions of the same text that this one may call.
    tables : dict of str to ir.GlobalVariable, optional
        Whole numbers that it may look up.
    """

    reread: tuple[str, ...] = ()
    """Arrays whose numbers are read wherever they are used, and not kept at hand."""

    def __init__(
        self,
        function: ast.FunctionDef,
        module: ir.Module,
        real: str,
        others: "dict[str, Lowering] | None" = None,
        tables: dict[str, ir.GlobalVariable] | None = None,
    ) -> None:
        self.precision, self.real = real, _REALS[real]
        self.others, self.tables = others or {}, tables or {}
        self.names = [argument.arg for argument in function.args.args]
        kinds = [kind for name in self.names for kind in self._kinds(name)]
        self.function = ir.Function(
            module, ir.FunctionType(_WHOLE, kinds), f"vadist_{id(function)}"
        )
        self.function.linkage = "internal"
        self.arrays: dict[str, ir.Value] = {}
        self.sizes: dict[str, tuple[ir.Value, ...]] = {}
        self.places: dict[str, ir.Value] = {}
        self.entry = ir.IRBuilder(self.function.append_basic_block("entry"))
        self.at = ir.IRBuilder(self.function.append_basic_block("body"))
        given = iter(self.function.args)
        for name in self.names:
            value = next(given)
            sides = self.sides(name)
            if sides is None:
                self._store(name, value)
                continue
            if name not in self.reread:
                value.add_attribute("noalias")
            self.arrays[name] = value
            self.sizes[name] = tuple(next(given) for _ in range(sides))
        for statement in function.body:
            self._statement(statement)
        if not self.at.block.is_terminated:
            self.at.ret(ir.Constant(_WHOLE, -1))
        self.entry.branch(self.function.blocks[1])

    def sides(self, name: str) -> int | None:
        """How many lengths of sides come with an argument; None of what is no array."""
        return (2 if name in BLOCKS else 0) if name in ARRAYS else None

    def _kinds(self, name: str) -> list[ir.Type]:
        """Of an argument; blocks of samples come with the lengths of their last two sides."""
        if name == "statistics":
            return [_WHOLE.as_pointer()]
        if name in ARRAYS:
            return [self.real.as_pointer(), *([_WHOLE, _WHOLE] if name in BLOCKS else [])]
        return [{"tolerance": self.real, "resume": TRUTH, "fresh": TRUTH}.get(name, _WHOLE)]

    def given(
        self, arrays: dict[str, list[ir.Value]], numbers: dict[str, ir.Value]
    ) -> list[ir.Value]:
        """Arguments in their order: of an array its place and its sizes."""
        return [
            value
            for name in self.names
            for value in (arrays[name] if self.sides(name) is not None else [numbers[name]])
        ]

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

    def _alike(self, *values: ir.Value) -> tuple[ir.Value, ...]:
        """Reals as one type."""
        return tuple(self._as(value, self.real) for value in values)

    def number(self, value: float, like: ir.Value) -> ir.Constant:
        """A real that stands beside another."""
        return ir.Constant(like.type, value)

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
            self._kept(value, place)
        else:
            assert isinstance(target, ast.Name)
            self._store(target.id, self._value(node.value))

    def _do_augassign(self, node: ast.AugAssign) -> None:
        if isinstance(node.target, ast.Subscript):
            place = self._place(node.target)
            self._kept(
                self._operation(node.op, self._loaded(place), self._value(node.value)), place
            )
            return
        assert isinstance(node.target, ast.Name)
        before = self.at.load(self._held(node.target.id))
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
        return self.at.load(self._held(node.id))

    def _held(self, name: str) -> ir.Value:
        """Where a variable is."""
        return self.places[name]

    def _of_subscript(self, node: ast.Subscript) -> ir.Value:
        assert isinstance(node.value, ast.Name)
        if node.value.id in self.tables:
            place = [ir.Constant(_WHOLE, 0), self._value(node.slice)]
            held = self.at.gep(self.tables[node.value.id], place, inbounds=True)
            return self._widened(self.at.load(held))
        return self._loaded(self._place(node))

    def _loaded(self, place: ir.Value) -> ir.Value:
        return self.at.load(place)

    def _kept(self, value: ir.Value, place: ir.Value) -> None:
        """Store into an array."""
        self.at.store(self._as(value, place.type.pointee), place)

    def _place(self, node: ast.Subscript) -> ir.Value:
        assert isinstance(node.value, ast.Name)
        name = node.value.id
        if isinstance(node.slice, ast.Tuple):
            index, *inner = (self._value(part) for part in node.slice.elts)
            for size, part in zip(self.sizes[name][-len(inner) :], inner, strict=True):
                index = self._whole("add", self._whole("mul", index, size), part)
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
        return self.at.neg(value) if value.type == _WHOLE else self.at.fneg(value, flags=FLAGS)

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
        a, b = self._alike(a, b)
        value: ir.Value = getattr(self.at, names[type(op)])(a, b, flags=FLAGS)
        return value

    def _of_compare(self, node: ast.Compare) -> ir.Value:
        a, b = self._value(node.left), self._value(node.comparators[0])
        sign = _COMPARED[type(node.ops[0])]
        if isinstance(a.type, ir.IntType):
            return self.at.icmp_signed(sign, *(self._widened(value) for value in (a, b)))
        return self.at.fcmp_ordered(sign, *self._alike(a, b))

    def _widened(self, value: ir.Value) -> ir.Value:
        return self.at.sext(value, _WHOLE) if value.type == SHORT else value

    def _of_boolop(self, node: ast.BoolOp) -> ir.Value:
        join = self.at.and_ if isinstance(node.op, ast.And) else self.at.or_
        first, second = (self._value(value) for value in node.values)
        return join(first, second)

    def _of_ifexp(self, node: ast.IfExp) -> ir.Value:
        test, yes, no = (self._value(part) for part in (node.test, node.body, node.orelse))
        return self._either(test, yes, no)

    def _either(self, test: ir.Value, yes: ir.Value, no: ir.Value) -> ir.Value:
        return self.at.select(test, yes, no)

    def _of_call(self, node: ast.Call) -> ir.Value:
        name = node.func.attr if isinstance(node.func, ast.Attribute) else None
        if isinstance(node.func, ast.Name):
            name = node.func.id
        if name in self.others:
            return self._called(self.others[str(name)], node)
        values = [self._value(argument) for argument in node.args]
        if name in ("min", "max"):
            return self.extreme(name, *values)
        if name == "int32":
            return values[0] if values[0].type == SHORT else self.at.trunc(values[0], SHORT)
        if name in ("float32", "float64"):
            return self._as(values[0], self.real)
        if name == "exponential_less_one":
            return exponential_less_one(self, values[0])
        function = self._intrinsic({"abs": "llvm.fabs", "sqrt": "llvm.sqrt"}[str(name)], values[0])
        return self.at.call(function, values, fastmath=FLAGS)

    def _called(self, other: "Lowering", node: ast.Call) -> ir.Value:
        """Call a function of the same text by the names of its arguments."""
        numbers = {
            name: self._value(argument)
            for name, argument in zip(other.names, node.args, strict=True)
            if self.sides(name) is None
        }
        arrays = {name: [self.arrays[name], *self.sizes.get(name, ())] for name in self.arrays}
        return self.at.call(other.function, other.given(arrays, numbers))

    def _intrinsic(self, name: str, value: ir.Value) -> ir.Function:
        return self.function.module.declare_intrinsic(name, [value.type])

    def extreme(self, name: str, a: ir.Value, b: ir.Value) -> ir.Value:
        """The first unless the second is beyond it: a first one that is no number stays."""
        sign = "<" if name == "min" else ">"
        if a.type == _WHOLE:
            return self.at.select(self.at.icmp_signed(sign, b, a), b, a)
        a, b = self._alike(a, b)
        return self.at.select(self.at.fcmp_ordered(sign, b, a), b, a)
