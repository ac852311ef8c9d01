"""Text for a terminal of any width: sentences broken between words, tables in columns."""

from __future__ import annotations

import re
import shutil
import sys
import textwrap
from collections.abc import Callable, Sequence
from itertools import zip_longest

import click

_LEAST = 12  # characters that a folded column keeps


def fold(line: str) -> str:
    """Broken between words at the width of the terminal; what follows stands further in than the line begins."""
    indent = " " * (len(line) - len(line.lstrip()))
    return textwrap.fill(line, _width(), subsequent_indent=indent + "  ")


def labelled(rows: Sequence[tuple[str, str]]) -> list[str]:
    """Lines of labels with what each means beside it, folded within its own column."""
    wide = max([len(label) for label, _ in rows]) + 4
    lines = []
    for label, text in rows:
        lines += textwrap.wrap(text, max(_width(), wide + 20), initial_indent=f"  {label:<{wide - 2}}",
                               subsequent_indent=" " * wide)  # fmt: skip
    return lines


def first_fitting(*lines: str) -> str:
    """The first of several ways to put it that fits into one row of the terminal; the last one cut if none does."""
    return next((line for line in lines if len(line) <= _width()), cut(lines[-1]))


def say(text: str, err: bool = False) -> None:
    """Lines to stdout or stderr, folded where that is a terminal."""
    if (sys.stderr if err else sys.stdout).isatty():
        text = "\n".join([fold(line) for line in text.split("\n")])
    click.echo(text, err=err)


def cut(line: str) -> str:
    """As much of it as fits into one row of the terminal."""
    return line[: _width()]


def columns(rows: Sequence[Sequence[str]], whole: bool | None = None) -> str:
    """Rows of text in columns, two spaces between them. Where that is wider than the terminal, the widest columns are
    folded, unless they are to stay `whole`; left out: where stdout is no terminal."""
    if whole is None:
        whole = not sys.stdout.isatty()
    widths = [max([len(row[n]) for row in rows]) for n in range(len(rows[0]))]
    while not whole and sum(widths) + 2 * (len(widths) - 1) > _width() and max(widths) > _LEAST:
        widths[widths.index(max(widths))] -= 1
    lines = []
    for row in rows:
        cells = [_Cell(w).wrap(text) for text, w in zip(row, widths, strict=True)]
        lines += _in_columns(list(zip_longest(*cells, fillvalue="")), str.ljust, widths)
    return "\n".join(lines)


class _Cell(textwrap.TextWrapper):
    """Folds after commas too: a table of numbers has no spaces."""

    wordsep_simple_re = re.compile(r"(\s+|(?<=,)(?=\S))")

    def __init__(self, width: int) -> None:
        super().__init__(max(width, 1), break_on_hyphens=False)


def table(head: Sequence[str], rows: Sequence[Sequence[str]], whole: bool = False) -> list[str]:
    """Lines of a table whose first column says what a row is about; the others are numbers, to the right.

    One that is wider than the terminal comes in pieces, each with the first column, unless it is to stay `whole`.
    """
    every = [head, *rows]
    widths = [max([len(row[n]) for row in every]) for n in range(len(head))]
    pieces: list[list[int]] = [[]]
    taken = widths[0]
    for n in range(1, len(head)):
        taken += 2 + widths[n]
        if pieces[-1] and taken > _width() and not whole:
            pieces.append([])
            taken = widths[0] + 2 + widths[n]
        pieces[-1].append(n)
    lines = []
    for piece in pieces:
        lines += _in_columns([[row[0], *[row[n] for n in piece]] for row in every], str.rjust)
    return lines


def _in_columns(
    rows: Sequence[Sequence[str]], others: Callable[[str, int], str], widths: Sequence[int] = ()
) -> list[str]:
    widths = widths or [max([len(row[n]) for row in rows]) for n in range(len(rows[0]))]
    lines = []
    for first, *rest in rows:
        cells = [first.ljust(widths[0]), *[others(t, w) for t, w in zip(rest, widths[1:], strict=True)]]
        lines.append("  ".join(cells).rstrip())
    return lines


def _width() -> int:
    return shutil.get_terminal_size().columns - 1
