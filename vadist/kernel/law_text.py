"""A device's law as lines of a kernel."""

import ast
import inspect

from vadist.devices import KINDS


class _Renamed(ast.NodeTransformer):
    """Puts expressions in the place of a law's arguments, and names of its own for the rest."""

    def __init__(self, arguments: dict[str, str], suffix: str) -> None:
        self.arguments, self.suffix = arguments, suffix
        self.own: set[str] = set()

    def visit_Name(self, node: ast.Name) -> ast.AST:
        """Replace a name."""
        if node.id in self.arguments:
            return ast.parse(self.arguments[node.id], mode="eval").body
        if isinstance(node.ctx, ast.Store):
            self.own.add(node.id)
        if node.id in self.own:
            return ast.Name(f"{node.id}{self.suffix}", node.ctx)
        return node


def law_lines(kind: str, arguments: list[str], results: list[str], suffix: str) -> list[str]:
    """A law written out: its statements, then what it returns under other names."""
    law = ast.parse(inspect.getsource(KINDS[kind].law)).body[0]
    assert isinstance(law, ast.FunctionDef)
    names = [argument.arg for argument in law.args.args]
    renamed = _Renamed(dict(zip(names, arguments, strict=True)), suffix)
    statements = [ast.unparse(renamed.visit(line)) for line in law.body[1:-1]]
    answer = law.body[-1]
    assert isinstance(answer, ast.Return)
    assert isinstance(answer.value, ast.Tuple)
    values = [ast.unparse(renamed.visit(value)) for value in answer.value.elts]
    return [*statements, *(f"{n} = {v}" for n, v in zip(results, values, strict=True))]
