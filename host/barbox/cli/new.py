"""`barbox new`: write a commented rig sheet to start from."""

from __future__ import annotations

import re
from pathlib import Path

import click

from barbox import fold
from barbox.errors import UserError
from barbox.files import write_whole
from barbox.rig import read
from barbox.rig.boards import BOARDS
from barbox.rig.template import new_text
from shared_proto.messages import SIDES_MAX
from shared_proto.settings import ROWS, SETTINGS


@click.command("new", short_help="Write a commented rig sheet.")
@click.argument("path", metavar="RIG.toml", type=click.Path(path_type=Path))
@click.option("--sides", default="left,right", show_default=True, metavar="NAMES", help="Names of the sides.")
@click.option("--cells", default=10, show_default=True, metavar="N", type=int, help="Cells in series of each string.")
@click.option("--board", default="pico_w", show_default=True, metavar="BOARD", help=f"One of {', '.join(BOARDS)}.")
@click.option("--force", is_flag=True, help="Overwrite a sheet that is there.")
def command(path: Path, sides: str, cells: int, board: str, force: bool) -> None:
    """Write a commented rig sheet to start from.

    It holds typical values: go through it line by line and put in what your rig has.
    """
    names = [name.strip() for name in sides.split(",")]
    if not 1 <= len(names) <= SIDES_MAX:
        raise UserError(f"--sides names {len(names)} sides, a box has room for {SIDES_MAX}: name fewer")
    if board not in BOARDS:
        raise UserError(f"--board {board} is no board; known boards: {', '.join(BOARDS)}")
    if len(names) > BOARDS[board].inputs:
        inputs = BOARDS[board].inputs
        raise UserError(f"--sides names {len(names)} sides, board {board} senses {inputs}: name fewer or another board")
    most = SETTINGS[ROWS["side.cells"]].high
    if not 1 <= cells <= most:
        raise UserError(f"--cells {cells} is outside 1..{most}: count the cells in series of one string")
    text = new_text(_rig_name(path), names, cells, BOARDS[board]).encode()
    read(text, str(path))
    write_whole(path, text, force=force)
    fold.say(f"{path}: a sheet to start from; correct it line by line, then `barbox apply {path}`")


def _rig_name(path: Path) -> str:
    """A rig name out of a file name."""
    longest = int(SETTINGS[ROWS["rig"]].code[:-1])
    name = re.sub(r"[^A-Za-z0-9_-]+", "-", path.stem).lstrip("-_0123456789")[:longest]
    return name or "rig"
