"""From one set of settings to another on a box: what changes, writing it, and reading it back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from barbox.errors import BoxError, UserError
from barbox.link.client import Client, Refused
from barbox.settings_text import Slot, as_text, slots
from shared_proto.settings import BOX, DANGERS, GUARDS, HARMLESS, SETTINGS, Values, conflict, in_force_us, settle
from shared_proto.states import REFUSE_NOT_LOCKED

_FEW = 6  # settings whose sentences are still read one by one


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


def with_box_alone(old: Values, new: Values) -> Values:
    """`new`, but with what no host sets as it is in `old`."""
    new = new.copy()
    for row, s in enumerate(SETTINGS):
        if s.danger == BOX:
            new.rows[row] = list(old.rows[row])
    return new


def dangers(todo: list[Change]) -> list[str]:
    """What can come of these changes, a sentence a setting: what to look at twice before the yes. Of many, those that
    take a protection away are named together, so that what decides thrust is read."""
    names: dict[int, list[str]] = {}
    for c in todo:
        if c.slot.setting.danger != HARMLESS:
            names.setdefault(c.slot.row, []).append(c.slot.name)
    few = len(names) <= _FEW
    told = [
        f"{', '.join(n)} ({DANGERS[SETTINGS[row].danger]}): {SETTINGS[row].wrong}"
        for row, n in names.items()
        if few or SETTINGS[row].danger != GUARDS
    ]
    guards = [SETTINGS[row].name for row in names if SETTINGS[row].danger == GUARDS]
    if guards and not few:
        told.append(f"a protection is weaker or gone ({DANGERS[GUARDS]}): {', '.join(guards)}")
    return told


def follows(old: Values, new: Values, serial: str) -> list[str]:
    """What the box of `serial` will do by itself with these settings, a sentence each."""
    settled = new.copy()
    settle(settled, old, serial.encode())
    told = []
    for n in range(old.get("sides")):
        name = (new.get("side.name", n) or b"side").decode()
        if old.get("side.proven", n) and not settled.get("side.proven", n):
            told.append(f"the stop proof of {name} is withdrawn: prove it again with `barbox bench`")
        wait = any(settled.get(f"side.{end}_force_us", n) for end in ("idle", "full"))
        if wait:
            told.append(f"the box keeps idle {in_force_us(settled, 'idle', n)} us and full "
                        f"{in_force_us(settled, 'full', n)} us for {name} until its power is cut, and does not arm "
                        "before that; the new ones take force when it comes on again: have the vehicle tied down "
                        "and the plug at hand")
    return told


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
