"""What several commands share: options, and the way from a click command into asyncio."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Coroutine
from typing import Any, TypeVar

import click

T = TypeVar("T")

box_option = click.option(
    "--box", "url", metavar="URL", help="Which box: serial:PATH or a bare port; left out: the only one found."
)
json_option = click.option("--json", "as_json", is_flag=True, help="One JSON object a line, for scripts.")
for_option = click.option(
    "--for",
    "for_s",
    type=click.FloatRange(min=0, min_open=True),
    metavar="SECONDS",
    help="Stop after this time.",
)


def run(coroutine: Coroutine[Any, Any, T]) -> T:
    """Run a command's coroutine. Ctrl-C cancels it, so that `finally` blocks close ports and files."""
    return asyncio.run(coroutine)


def echo_json(value: Any) -> None:
    """One JSON value on one line, at once."""
    click.echo(json.dumps(value, separators=(",", ":")))
