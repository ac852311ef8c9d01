"""`barbox faults`: what the box has latched and counted, and the last events, in plain words."""

from __future__ import annotations

import click

from barbox import faults, fold
from barbox.cli import options
from barbox.errors import UserError
from barbox.link.client import Refused
from barbox.link.find import open_box
from shared_proto import states


@click.command("faults", short_help="What went wrong: counters and events that survive a reset.")
@click.option("--clear", is_flag=True, help="Then forget it all and count anew. The box must be LOCKED.")
@options.box_option
@options.json_option
def command(clear: bool, url: str | None, as_json: bool) -> None:
    """Show what went wrong on the box: protective stops by cause, sensing faults, resets, and the last events.

    All of it survives a reset and a power cut, once written: the box writes only while it is LOCKED or HELD, for a
    second or more.
    """
    found, stored = options.run(read(url, clear))
    if as_json:
        options.echo_json(faults.as_json(found, stored))
        return
    fold.say("\n".join(faults.report(found, stored)))
    if clear:
        click.echo("forgotten on the box: it counts anew from now on")


async def read(url: str | None, clear: bool) -> tuple[faults.Faults, list[faults.Stored]]:
    """What `barbox.faults.fetch` gives. Raises UserError when it is to be forgotten and the box is not LOCKED."""
    client = await open_box(url)
    try:
        return await faults.fetch(client, clear)
    except Refused as refused:
        if clear and refused.reason == states.REFUSE_NOT_LOCKED:
            raise UserError(
                "the box is not LOCKED, so nothing was forgotten: press the arm button to lock it, then try again"
            ) from None
        raise
    finally:
        await client.close()
