"""What was learned, onto the box and into the record: begun, it is finished."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Any

from barbox.calibration.record import Record
from barbox.errors import UserError
from barbox.link.client import Client
from barbox.settings_write import Change, write


async def write_and_keep(
    client: Client, todo: list[Change], record: Record, entry: Mapping[str, Any], what: str
) -> None:
    """Write, read back, and add `entry` to the record. Raises BoxError, or UserError when `what` stands on the box and
    the record cannot be written.

    Ctrl-C in the middle changes nothing of that, so that box and record agree: the link's time-outs bound the wait.
    """
    doing = asyncio.ensure_future(_do(client, todo, record, entry, what))
    try:
        await asyncio.shield(doing)
    except asyncio.CancelledError:
        await doing


async def _do(client: Client, todo: list[Change], record: Record, entry: Mapping[str, Any], what: str) -> None:
    await write(client, todo)
    try:
        record.append(entry)
    except UserError as error:
        raise UserError(f"the box has the {what}, but the record is not kept: {error}") from None
