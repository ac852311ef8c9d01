"""From one set of settings to another on a box: what changes, writing it, and reading it back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from barbox.errors import BoxError, UserError
from barbox.link.client import Client, Refused
from barbox.settings_text import Slot, as_text, slots
from shared_proto.settings import Values, conflict
from shared_proto.states import REFUSE_NOT_LOCKED


@dataclass(frozen=True)
class Change:
    """One setting that differs."""

    slot: Slot
    old: Any
    new: Any


def changes(old: Values, new: Values) -> list[Change]:
    """What differs, in the order of the table."""
    pairs = [Change(slot, slot.of(old), slot.of(new)) for slot in slots()]
    return [c for c in pairs if c.old != c.new]


def refuse_conflict(values: Values, where: str) -> None:
    """Raise UserError when these settings contradict each other."""
    wrong = conflict(values)
    if wrong:
        raise UserError(f"{where}: {wrong}; nothing was written")


async def write(client: Client, todo: list[Change]) -> None:
    """Put, commit, read back and compare. Raises BoxError: all of it stands on the box, or none of it.

    After a link lost during the commit itself nobody knows which; the message says so.
    """
    try:
        for c in todo:
            await client.put_setting(c.slot.row, c.slot.index, c.new)
    except BoxError as error:
        # A link that is gone needs no drop: the next hello forgets what was put.
        if isinstance(error, Refused):
            await client.drop()
        raise _nothing_written(error) from error
    try:
        await client.commit()
    except Refused as error:
        await client.drop()
        raise _nothing_written(error) from error
    except BoxError as error:
        raise BoxError(
            f"{error}; that was during the commit, so the box has all the old settings or all the new ones: "
            "look with `barbox settings show`"
        ) from error
    for c in todo:
        got = await client.get_setting(c.slot.row, c.slot.index)
        if got != c.new:
            raise BoxError(
                f"{c.slot.name} was written as {as_text(c.new)} and reads back as {as_text(got)}: do not ride like this"
            )


def _nothing_written(error: BoxError) -> BoxError:
    if isinstance(error, Refused) and error.reason == REFUSE_NOT_LOCKED:
        return BoxError(
            "the box takes settings only while it is LOCKED, and it is not: bring the lever to rest, press the arm "
            "button once and try again; nothing was written"
        )
    return BoxError(f"{error}; nothing was written")
