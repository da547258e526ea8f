"""Loops over lanes as vectors, for texts so long that LLVM would be too long about it.

LLVM holds every access of a loop against every other before it makes vectors of it, which takes
the square of a loop's length. Here each statement of a loop over lanes becomes one over a vector
as wide as there are lanes: lanes never touch one another. What such a loop sets is its own, except
for whole numbers: counters of loops inside it, and the count of lanes for which something holds.
"""

import ast

from llvmlite import ir

from vadist.kernel.statements import SHORT, Lowering


class LaneVectors(Lowering):
    """Lowers one function; see :class:`vadist.kernel.statements.Lowering`.

    Parameters
    ----------
    lanes : int
    """

    def __init__(
        self,
        function: ast.FunctionDef,
        module: ir.Module,
        real: str,
        others: dict[str, Lowering],
        tables: dict[str, ir.GlobalVariable],
        lanes: int,
    ) -> None:
        self.lanes = lanes
        self.own: dict[str, ir.Value] | None = None
        super().__init__(function, module, real, others, tables)

    def _do_for(self, node: ast.For) -> None:
        assert isinstance(node.target, ast.Name)
        if node.target.id != "l":
            super()._do_for(node)
            return
        self.own = {}
        for statement in node.body:
            self._statement(statement)
        self.own = None

    def _store(self, name: str, value: ir.Value) -> None:
        if self.own is None or isinstance(value.type, ir.IntType):
            super()._store(name, value)
            return
        value = self._wide(value)
        if name not in self.own:
            self.own[name] = self.entry.alloca(value.type, name=name)
        self.at.store(value, self.own[name])

    def _held(self, name: str) -> ir.Value:
        return (self.own or {}).get(name) or super()._held(name)

    def _place(self, node: ast.Subscript) -> ir.Value:
        """Of a row: of its first lane."""
        if self.own is None:
            return super()._place(node)
        first = ast.Constant(0)
        index = node.slice
        if isinstance(index, ast.Tuple):
            index = ast.Tuple([*index.elts[:-1], first], ast.Load())
        else:
            assert isinstance(index, ast.BinOp)
            index = index.left
        place = super()._place(ast.Subscript(node.value, index, node.ctx))
        return self.at.bitcast(place, ir.VectorType(self.real, self.lanes).as_pointer())

    def _loaded(self, place: ir.Value) -> ir.Value:
        return self.at.load(place, align=self._bytes)

    def _kept(self, value: ir.Value, place: ir.Value) -> None:
        self.at.store(self._as(value, place.type.pointee), place, align=self._bytes)

    @property
    def _bytes(self) -> int:
        """Of one number: rows of a block may lie anywhere."""
        return 4 if self.precision == "float32" else 8

    def _as(self, value: ir.Value, kind: ir.Type) -> ir.Value:
        if isinstance(kind, ir.VectorType) and not isinstance(value.type, ir.VectorType):
            return self._wide(super()._as(value, kind.element))
        return super()._as(value, kind)

    def _wide(self, value: ir.Value) -> ir.Value:
        """The same in all lanes."""
        if isinstance(value.type, ir.VectorType):
            return value
        kind = ir.VectorType(value.type, self.lanes)
        if isinstance(value, ir.Constant):
            return ir.Constant(kind, [value.constant] * self.lanes)
        nothing = ir.Constant(kind, ir.Undefined)
        one = self.at.insert_element(nothing, value, ir.Constant(SHORT, 0))
        every = ir.Constant(ir.VectorType(SHORT, self.lanes), [0] * self.lanes)
        return self.at.shuffle_vector(one, nothing, every)

    def _alike(self, *values: ir.Value) -> tuple[ir.Value, ...]:
        if any(isinstance(value.type, ir.VectorType) for value in values):
            kind = ir.VectorType(self.real, self.lanes)
            return tuple(self._as(value, kind) for value in values)
        return super()._alike(*values)

    def number(self, value: float, like: ir.Value) -> ir.Constant:
        """A real that stands beside another."""
        if isinstance(like.type, ir.VectorType):
            return ir.Constant(like.type, [value] * self.lanes)
        return super().number(value, like)

    def _operation(self, op: ast.operator, a: ir.Value, b: ir.Value) -> ir.Value:
        if isinstance(b.type, ir.VectorType) and b.type.element == SHORT:
            # Lanes are counted: what each of them adds is added up.
            return self.at.add(a, self.at.call(self._intrinsic("llvm.vector.reduce.add", b), [b]))
        return super()._operation(op, a, b)

    def _either(self, test: ir.Value, yes: ir.Value, no: ir.Value) -> ir.Value:
        if isinstance(test.type, ir.VectorType):
            yes, no = self._wide(yes), self._wide(no)
        return super()._either(test, yes, no)

    def _intrinsic(self, name: str, value: ir.Value) -> ir.Function:
        if not isinstance(value.type, ir.VectorType):
            return super()._intrinsic(name, value)
        element, module = value.type.element, self.function.module
        letter = f"i{element.width}" if isinstance(element, ir.IntType) else ""
        whole = f"{name}.v{self.lanes}{letter or ('f32' if self._bytes == 4 else 'f64')}"
        if whole in module.globals:
            return module.globals[whole]
        returned = element if letter else value.type
        return ir.Function(module, ir.FunctionType(returned, [value.type]), whole)
