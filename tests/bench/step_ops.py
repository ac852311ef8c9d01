"""Counts what one control step does, by kind of operation and function, on CPython: `python step_ops.py STEPS FOLDER`.

FOLDER holds the firmware as a board gets it, and step_in_vm.py. The core is compiled with a counter around each
expression, so the count is that of the code as written, whatever interpreter runs it. What is counted is what
MicroPython has to do: a name of the module is looked up in a dict; `for .. in range(..)` is a counted loop, no call.
"""

from __future__ import annotations

import ast
import builtins
import importlib.abc
import importlib.util
import json
import sys
from collections import Counter
from pathlib import Path

counts: Counter[tuple[str, bool, str]] = Counter()  # (function, compiled to machine code, kind)


class _Counting(ast.NodeTransformer):
    """Wraps each expression in `_count(key, expression)`, and counts stores beside their statement."""

    def __init__(self, module: str):
        self.where = (module, False)
        self.locals: set[str] = set()

    def visit_FunctionDef(self, node: ast.FunctionDef):
        outer = self.where, self.locals
        marks = [d.attr for d in node.decorator_list if isinstance(d, ast.Attribute)]
        self.where = (f"{self.where[0]}.{node.name}", "native" in marks)
        stored = {n.id for n in ast.walk(node) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store)}
        self.locals = {a.arg for a in node.args.args} | stored
        node.body = [new for old in node.body for new in self._statement(old)]
        self.where, self.locals = outer
        return node

    def visit_ClassDef(self, node: ast.ClassDef):
        outer = self.where
        self.where = (f"{outer[0]}.{node.name}", False)
        self.generic_visit(node)
        self.where = outer
        return node

    def _statement(self, node):
        new = self.visit(node)
        return new if isinstance(new, list) else [new]

    def _key(self, kind):
        return ast.Tuple([ast.Constant(self.where[0]), ast.Constant(self.where[1]), ast.Constant(kind)], ast.Load())

    def _wrap(self, kind, node):
        if not self.locals:  # outside of functions
            return node
        return ast.Call(ast.Name("_count", ast.Load()), [self._key(kind), node], [])

    def _stores(self, target):
        if isinstance(target, ast.Attribute):
            return ["attribute store"]
        if isinstance(target, ast.Subscript):
            return ["item store"]
        return ["move"]

    def visit_Assign(self, node):
        if not self.locals:
            return node
        # A result that goes straight into a local is part of its operation, as in the table; a plain copy is not.
        kinds = [k for t in node.targets for k in self._stores(t)]
        if not isinstance(node.value, (ast.Name, ast.Constant)):
            kinds = [k for k in kinds if k != "move"]
        self.generic_visit(node)
        return [node, *(ast.Expr(self._wrap(k, ast.Constant(0))) for k in kinds)]

    def visit_AugAssign(self, node):
        if not self.locals:
            return node
        kinds = ["integer"]
        if isinstance(node.target, ast.Attribute):
            kinds += ["attribute", "attribute store"]
        elif isinstance(node.target, ast.Subscript):
            kinds += ["item", "item store"]
        self.generic_visit(node)
        return [node, *(ast.Expr(self._wrap(k, ast.Constant(0))) for k in kinds)]

    def visit_For(self, node):
        counted = isinstance(node.iter, ast.Call) and getattr(node.iter.func, "id", "") == "range"
        if counted:
            for i, arg in enumerate(node.iter.args):
                node.iter.args[i] = self.visit(arg)
        else:
            node.iter = self.visit(node.iter)
        node.target = self.visit(node.target)
        node.body = [new for old in node.body for new in self._statement(old)]
        node.orelse = [new for old in node.orelse for new in self._statement(old)]
        node.body.insert(0, ast.Expr(self._wrap("integer" if counted else "item", ast.Constant(0))))
        if counted:
            node.body.insert(0, ast.Expr(self._wrap("compare", ast.Constant(0))))
        return node

    def visit_BinOp(self, node):
        if all(isinstance(n, (ast.BinOp, ast.Constant, ast.operator)) for n in (node.left, node.right)):
            return node  # folded by the compiler
        self.generic_visit(node)
        return self._wrap("integer", node)

    def visit_UnaryOp(self, node):
        if isinstance(node.operand, ast.Constant):
            return node
        self.generic_visit(node)
        return self._wrap("move" if isinstance(node.op, ast.Not) else "integer", node)

    def visit_Compare(self, node):
        count = len(node.ops)
        self.generic_visit(node)
        for _ in range(count):
            node = self._wrap("compare", node)
        return node

    def visit_Attribute(self, node):
        self.generic_visit(node)
        return self._wrap("attribute", node) if isinstance(node.ctx, ast.Load) else node

    def visit_Subscript(self, node):
        self.generic_visit(node)
        return self._wrap("item", node) if isinstance(node.ctx, ast.Load) else node

    def visit_Name(self, node):
        if not isinstance(node.ctx, ast.Load) or node.id in self.locals:
            return node
        return self._wrap("global", node)

    def visit_Call(self, node):
        node.args = [self.visit(a) for a in node.args]
        function = node.func
        if isinstance(function, ast.Attribute):
            function.value = self.visit(function.value)
            return self._wrap("method call", node)
        if isinstance(function, ast.Name) and hasattr(builtins, function.id):
            return self._wrap("builtin call", node)
        node.func = self.visit(function)
        return self._wrap("function call", node)


class _Importer(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    def __init__(self, folder: Path):
        self._folder = folder

    def find_spec(self, fullname, path, target=None):
        if fullname.startswith("core."):
            return importlib.util.spec_from_loader(fullname, self)
        return None

    def create_module(self, spec):
        return None

    def exec_module(self, module):
        name = module.__name__
        tree = ast.parse((self._folder / (name.replace(".", "/") + ".py")).read_text())
        tree = _Counting(name.removeprefix("core.")).visit(tree)
        module.__dict__["_count"] = _count
        exec(compile(ast.fix_missing_locations(tree), name, "exec"), module.__dict__)


def _count(key, value):
    counts[key] += 1
    return value


def main() -> None:
    steps, folder = int(sys.argv[1]), Path(sys.argv[2])
    sys.path[:] = [str(folder), str(Path(__file__).resolve().parents[1] / "desk"), *sys.path[1:]]
    sys.meta_path.insert(0, _Importer(folder))
    from step_in_vm import Bench

    bench = Bench()
    counts.clear()
    bench.steps(steps, 600)
    json.dump([[*key, n / steps] for key, n in counts.items()], sys.stdout)


if __name__ == "__main__":
    main()
