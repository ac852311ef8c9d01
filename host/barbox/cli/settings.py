"""`barbox settings`: show, get and set settings of the box; save them to a file, load and compare it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from barbox.cli import options
from barbox.cli.changes import NOTHING, as_records, bring, count, read_box, table
from barbox.errors import AnswerNo, UserError
from barbox.files import write_whole
from barbox.fold import columns
from barbox.link.find import open_box
from barbox.records import Identity
from barbox.settings_text import (
    Slot,
    as_text,
    find,
    from_file,
    limits,
    parse,
    put_all,
    side_names,
    slots,
    to_file,
)
from barbox.settings_text import as_json as json_value
from barbox.settings_write import changes
from shared_proto.settings import BOX, Values


@click.group("settings")
def command() -> None:
    """Show and change the settings of the box.

    Names are as in `ramp_up_ms`, `side1.cells` or, by the side's name, `left.cells`, and `sense3.offset_mv`.
    """


@command.command("show")
@click.argument("words", nargs=-1, metavar="[WORD]...")
@options.box_option
@options.json_option
def show(words: tuple[str, ...], url: str | None, as_json: bool) -> None:
    """Show all settings, or those whose name contains a WORD, with units and limits."""
    _, _, values = options.run(read_box(url))
    shown = [s for s in slots() if not words or any(w in name for w in words for name in _names(s, values))]
    if not shown:
        raise UserError(f"no setting has {' or '.join(words)} in its name; `barbox settings show` lists them all")
    if as_json:
        options.echo_json([_record(s, values) for s in shown])
        return
    rows = [("setting", "value", "unit", "limits", "meaning")]
    for slot in shown:
        s = slot.setting
        rows.append((slot.name, as_text(slot.of(values)) or '""', s.unit, limits(s), s.help))
    click.echo(columns(rows))


@command.command("get")
@click.argument("names", nargs=-1, required=True, metavar="NAME...")
@options.box_option
@options.json_option
def get(names: tuple[str, ...], url: str | None, as_json: bool) -> None:
    """Print the value of each NAME, one a line."""
    pairs = options.run(_get(url, names))
    if as_json:
        options.echo_json({name: json_value(value) for name, value in pairs})
        return
    for _, value in pairs:
        click.echo(as_text(value))


async def _get(url: str | None, names: tuple[str, ...]) -> list[tuple[str, Any]]:
    client = await open_box(url)
    try:
        sides = side_names(await client.read_values(("sides", "side.name")))
        wanted = [(name, find(name, sides)) for name in names]
        return [(name, await client.get_setting(slot.row, slot.index)) for name, slot in wanted]
    finally:
        await client.close()


@command.command("set")
@click.argument("what", nargs=-1, required=True, metavar="NAME=VALUE...")
@click.option("--yes", is_flag=True, help="Write without asking, also what can hurt when it is wrong.")
@click.option("--dry-run", is_flag=True, help="Show what would change and write nothing.")
@options.box_option
@options.json_option
def set_(what: tuple[str, ...], yes: bool, dry_run: bool, url: str | None, as_json: bool) -> None:
    """Change settings, all together or none. A single one may be written NAME VALUE.

    What can make thrust or take a protection away when it is wrong is asked about first.
    """
    pairs = _pairs(what)

    def wanted(_: Identity, old: Values) -> tuple[Values, list[str]]:
        sides = side_names(old)
        slots_of = [(find(name, sides), text) for name, text in pairs]
        for slot, _text in slots_of:
            if slot.setting.danger == BOX:
                raise UserError(f"{slot.name}: the box alone sets it; a stop is proved with `barbox bench`; {NOTHING}")
        return put_all(old, {slot: parse(slot, text) for slot, text in slots_of}), []

    source = "with these values"
    options.run(bring(url, wanted, yes=yes, dry_run=dry_run, as_json_text=as_json, source=source, column="new",
                      ask_harmless=False))


def _pairs(what: tuple[str, ...]) -> list[tuple[str, str]]:
    if len(what) == 2 and "=" not in what[0]:
        return [(what[0], what[1])]
    for one in what:
        if "=" not in one:
            raise UserError(f'"{one}" has no value: write NAME=VALUE, such as ramp_up_ms=2500')
    return [(one.partition("=")[0], one.partition("=")[2]) for one in what]


@command.command("save")
@click.argument("path", metavar="FILE", type=click.Path(path_type=Path))
@click.option("--force", is_flag=True, help="Overwrite a file that is there.")
@options.box_option
def save(path: Path, force: bool, url: str | None) -> None:
    """Save all settings of the box to FILE, as TOML."""
    if path.exists() and not force:
        raise UserError(f"{path}: exists already; choose another name, or overwrite it with --force")
    _, identity, values = options.run(read_box(url))
    about = f"Settings of box {identity.serial}, rig {identity.rig or 'none'}, number {identity.settings_seq}."
    write_whole(path, to_file(values, about).encode(), force=force)
    click.echo(f"{path}: {sum(1 for _ in slots())} settings saved")


@command.command("load")
@click.argument("path", metavar="FILE", type=click.Path(path_type=Path))
@click.option("--yes", is_flag=True, help="Write without asking.")
@click.option("--dry-run", is_flag=True, help="Show what would change and write nothing.")
@options.box_option
@options.json_option
def load(path: Path, yes: bool, dry_run: bool, url: str | None, as_json: bool) -> None:
    """Write the settings in FILE to the box, after showing what changes; what it leaves out stays."""
    found = _read(path)

    def wanted(_: Identity, old: Values) -> tuple[Values, list[str]]:
        new = put_all(old, found)
        left = [c.slot.name for c in changes(old, new) if c.slot.setting.danger == BOX]
        return new, [f"{name}, which the box alone sets" for name in left]

    options.run(bring(url, wanted, yes=yes, dry_run=dry_run, as_json_text=as_json, source=path.name))


@command.command("diff")
@click.argument("path", metavar="FILE", type=click.Path(path_type=Path))
@options.box_option
@options.json_option
def diff(path: Path, url: str | None, as_json: bool) -> None:
    """Compare the box with the settings in FILE; exit 1 when they differ."""
    found = _read(path)
    _, _, old = options.run(read_box(url))
    todo = changes(old, put_all(old, found))
    if as_json:
        options.echo_json(as_records(todo))
    elif todo:
        click.echo(table(todo, "box", path.name))
    else:
        click.echo(f"the box has what {path.name} says")
    if todo:
        verb = "differs" if len(todo) == 1 else "differ"
        raise AnswerNo(f"{count(todo)} {verb}")


def _read(path: Path) -> dict[Slot, Any]:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise UserError(f"{path}: cannot be read ({error.strerror}); name a file of `barbox settings save`") from None
    return from_file(data, str(path))


def _names(slot: Slot, values: Values) -> list[str]:
    """All names of a setting: `side1.cells` and `left.cells`."""
    names = [slot.name]
    sides = side_names(values)
    if slot.setting.group == "side" and slot.index < len(sides):
        names.append(f"{sides[slot.index]}.{slot.setting.name}")
    return names


def _record(slot: Slot, values: Values) -> dict[str, Any]:
    s = slot.setting
    record = {"name": slot.name, "value": json_value(slot.of(values)), "unit": s.unit, "help": s.help}
    return record if s.code[-1] == "s" else record | {"low": s.low, "high": s.high}
