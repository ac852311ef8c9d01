"""What several commands share: options, and the way from a click command into asyncio."""

from __future__ import annotations

import asyncio
import json
import signal
import sys
from collections.abc import Coroutine
from math import isfinite
from typing import Any, TypeVar

import click

T = TypeVar("T")


class Number(click.FloatRange):
    """A finite number in a range. click takes "nan" for one that lies in every range, and "inf" in an open one."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The number. Fails for what is none."""
        number = super().convert(value, param, ctx)
        if not isfinite(number):
            self.fail(f"{value} is no finite number.", param, ctx)
        return number


box_option = click.option(
    "--box", "url", metavar="URL", help="Which box: serial:PATH or a bare port; left out: the only one found."
)
json_option = click.option("--json", "as_json", is_flag=True, help="One JSON object a line, for scripts.")
for_option = click.option(
    "--for",
    "for_s",
    type=Number(min=0, min_open=True),
    metavar="SECONDS",
    help="Stop after this time.",
)


def run(coroutine: Coroutine[Any, Any, T]) -> T:
    """Run a command's coroutine. Ctrl-C cancels it, so that `finally` blocks close ports and files; what it shields
    is finished."""
    return asyncio.run(coroutine if sys.version_info >= (3, 11) else cancelled_alone(coroutine))


async def cancelled_alone(coroutine: Coroutine[Any, Any, T]) -> T:
    """`coroutine`, cancelled by the first Ctrl-C and no other task with it, as by `asyncio.run` since Python 3.11.

    Before, Ctrl-C broke the loop off wherever it was, and cancelled all tasks, also a write that had begun.
    """
    task, loop = asyncio.current_task(), asyncio.get_running_loop()
    assert task is not None
    presses = 0

    def press(number: int, frame: object) -> None:
        nonlocal presses
        presses += 1
        if presses > 1:
            raise KeyboardInterrupt
        task.cancel()
        loop.call_soon_threadsafe(lambda: None)  # wakes the loop

    before = signal.signal(signal.SIGINT, press)
    try:
        return await coroutine
    except asyncio.CancelledError:
        if presses:
            raise KeyboardInterrupt from None
        raise
    finally:
        signal.signal(signal.SIGINT, before)


def echo_json(value: Any) -> None:
    """One JSON value on one line, at once."""
    click.echo(json.dumps(value, separators=(",", ":")))
