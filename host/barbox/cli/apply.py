"""`barbox apply`: write the settings of a rig sheet to the box, after showing what changes."""

from __future__ import annotations

from pathlib import Path

import click

from barbox.cli import options
from barbox.cli.changes import NOTHING, bring
from barbox.errors import UserError
from barbox.records import Identity
from barbox.rig import load
from barbox.rig.cautions import cautions
from barbox.rig.to_settings import settings_over
from shared_proto.settings import Values


@click.command("apply", short_help="Write a rig's settings to the box, after showing what changes.")
@click.argument("path", metavar="RIG.toml", type=click.Path(path_type=Path))
@click.option("--yes", is_flag=True, help="Write without asking.")
@click.option("--dry-run", is_flag=True, help="Show what would change and write nothing.")
@options.box_option
@options.json_option
def command(path: Path, yes: bool, dry_run: bool, url: str | None, as_json: bool) -> None:
    """Write the settings of a rig sheet to the box, after showing what changes.

    What the box has learned of the same rig stays unless the sheet states it: calibration, the lever's end
    points, a measured curve. The box must be LOCKED.
    """
    rig = load(path)

    def wanted(identity: Identity, old: Values) -> tuple[Values, list[str]]:
        if identity.board != rig.board.name:
            raise UserError(
                f"{path}: rig.board is {rig.board.name}, and this box is a {identity.board}: correct the sheet or "
                f"take the other box; {NOTHING}"
            )
        return settings_over(rig, old)

    told = cautions(rig)
    options.run(bring(url, wanted, yes=yes, dry_run=dry_run, as_json_text=as_json, source=path.name, cautions=told))
