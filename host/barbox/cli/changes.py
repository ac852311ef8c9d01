"""Settings from here to a box, as several commands do it: show what changes, ask, write, read back."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import click

from barbox import fold
from barbox.cli import options
from barbox.errors import AnswerNo, BoxError, UserError
from barbox.fold import columns
from barbox.link.find import open_box
from barbox.records import Identity
from barbox.settings_text import as_json, as_text
from barbox.settings_write import Change, changes, dangers, follows, refuse_conflict, with_box_alone, write
from shared_proto.settings import Values

NOTHING = "nothing was written"
_NO_QUESTION = "--json asks no question: add --yes to write, or --dry-run to look only"


async def read_box(url: str | None) -> tuple[str, Identity, Values]:
    """(URL, identity, settings) of a box."""
    client = await open_box(url)
    try:
        return client.link.url, client.identity, await client.read_values()
    finally:
        await client.close()


async def write_box(url: str, identity: Identity, todo: list[Change]) -> None:
    """Write to the box that was read, unless it is another one by now or was changed meanwhile."""
    client = await open_box(url)
    try:
        now = client.identity
        if (now.serial, now.settings_seq) != (identity.serial, identity.settings_seq):
            raise BoxError(f"{url}: the box or its settings changed meanwhile; look again; {NOTHING}")
        await write(client, todo)
    finally:
        await client.close()


async def bring(
    url: str | None,
    wanted: Callable[[Identity, Values], tuple[Values, list[str]]],
    *,
    yes: bool,
    dry_run: bool,
    as_json_text: bool,
    source: str,
    column: str = "",
    cautions: Sequence[str] = (),
    ask_harmless: bool = True,
) -> None:
    """Bring a box to the settings that `wanted` makes of its identity and settings, asking before it writes.

    `source` names what is wanted in a message, `column` (by default the same) in the table. `cautions` are told before
    the question, each a sentence, and so is what each change can do when it is wrong, whether a yes is asked or given
    beforehand. `ask_harmless`: whether changes that can do no harm are asked about, too.
    The box is let go while the person thinks, so that it is not kept waiting.
    """
    if as_json_text and ask_harmless and not (yes or dry_run):
        raise UserError(_NO_QUESTION)
    where, identity, old = await read_box(url)
    new, kept = wanted(identity, old)
    refuse_conflict(new, source)
    new = with_box_alone(old, new)
    todo = changes(old, new)
    risks = dangers(todo)
    then = follows(old, new, identity.serial)
    yes = yes or not (ask_harmless or risks)
    if as_json_text and not (yes or dry_run):
        raise UserError(_NO_QUESTION)
    if not as_json_text:
        click.echo(table(todo, "box", column or source) if todo else "the box has these settings already")
        for one in kept:
            fold.say(f"kept: {one}")
        for one in cautions:
            fold.say(f"careful: {one}")
        for one in risks:
            fold.say(f"if wrong: {one}")
        for one in then:
            fold.say(f"then: {one}")
    if todo and not dry_run:
        if not yes and not _agreed(f"write {count(todo)} to {where}?"):
            raise AnswerNo(NOTHING)
        await write_box(where, identity, todo)
    written = bool(todo) and not dry_run
    if as_json_text:
        options.echo_json({"changes": as_records(todo), "kept": kept, "cautions": list(cautions), "if_wrong": risks,
                           "then": then, "written": written})
    elif written:
        click.echo(f"{count(todo)} written and read back")
    elif todo:
        click.echo(NOTHING)


def _agreed(question: str) -> bool:
    try:
        return click.confirm(question, default=False)
    except click.Abort:  # no terminal, or its end
        click.echo()
        return False


def count(todo: list[Change]) -> str:
    """ "1 setting", "2 settings"."""
    return f"{len(todo)} setting{'' if len(todo) == 1 else 's'}"


def as_records(todo: list[Change]) -> list[dict[str, Any]]:
    """Changes for JSON."""
    return [{"name": c.slot.name, "old": as_json(c.old), "new": as_json(c.new)} for c in todo]


def table(todo: list[Change], old: str, new: str) -> str:
    """Changes as a table for people."""
    rows = [("setting", old, new, "")]
    rows += [(c.slot.name, _show(c.old), _show(c.new), c.slot.setting.unit) for c in todo]
    return columns(rows)


def _show(value: Any) -> str:
    return as_text(value) or '""'
