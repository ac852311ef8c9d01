"""A person at the terminal in the middle of something that must not be kept waiting: lines come from a thread.

The event loop goes on while somebody thinks, so a bench run is heard by its box all the time, and Ctrl-C ends it.
"""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from barbox import fold
from barbox.bench.run import Stopped
from barbox.cli.lines import Lines
from shared_proto import states

if TYPE_CHECKING:
    from barbox.bench.summary import Table
    from barbox.records import Status

_REDRAWN_MS = 200
_CLEAR = "\r\x1b[K"  # ECMA-48


class Terminal:
    """See `barbox.bench.run.Person`. `quiet`: stdout is for a script, so all talk goes to stderr."""

    def __init__(self, lines: Lines, quiet: bool = False) -> None:
        self._lines = lines
        self._quiet = quiet
        self._draws = (sys.stderr if quiet else sys.stdout).isatty()
        self._asking = False
        self._drawn = False
        self._drawn_ms = 0

    async def ask(self, what: str, question: str, side: int | None = None) -> str:
        """What they type. Raises Stopped at the end of the input."""
        self._wipe()
        self._asking = True
        try:
            after = " " if question.endswith("?") else ": "
            click.echo(self._folded(question) + after, nl=False, err=self._quiet)
            line = await self._lines.next()
        finally:
            self._asking = False
        if line is None:
            click.echo(err=self._quiet)
            raise Stopped
        if not self._lines.is_terminal:
            click.echo(line, err=self._quiet)  # so that an account reads like a talk
        return line

    def tell(self, line: str) -> None:
        """A sentence, on lines of its own."""
        self._wipe()
        if self._asking:
            click.echo(err=self._quiet)
        click.echo(self._folded(line), err=self._quiet)

    def show(self, table: Table) -> None:
        """A table in columns."""
        self._wipe()
        for line in fold.table(*table, whole=not self._draws):
            click.echo(line, err=self._quiet)

    def sees(self, status: Status) -> None:
        """One line, drawn anew, on what the box does, while nothing is asked."""
        if not self._draws or self._asking or 0 <= status.time_ms - self._drawn_ms < _REDRAWN_MS:
            return
        self._drawn_ms = status.time_ms
        self._drawn = True
        click.echo(_CLEAR + fold.cut(state_line(status)), nl=False, err=self._quiet)

    def _wipe(self) -> None:
        if self._drawn:
            self._drawn = False
            click.echo(_CLEAR, nl=False, err=self._quiet)

    def _folded(self, line: str) -> str:
        return fold.fold(line) if self._draws else line


def state_line(status: Status) -> str:
    """What the box does just now."""
    if status.state != states.BENCH:
        return f"{states.name(states.STATES, status.state)}: {states.words(states.BENCH_PHASES, status.bench_phase)}"
    words = states.words(states.BENCH_PHASES, status.bench_phase)
    left = f", {status.bench_left_ms / 1000:.0f} s left" if status.bench_phase != states.BENCH_IDLE else ""
    if status.bench_phase < states.BENCH_RUNNING:
        return f"{words}{left}"
    return f"{status.demand_pm / 10:.0f} % | {words}{left}"
