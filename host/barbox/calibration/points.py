"""Readings from a file, for a calibration without questions: a line for each sense point, CSV.

    side,cells,reading
    left,5,20.93
    left,10,41.90 V
    right,10,"41,85"

Or with semicolons, as a spreadsheet writes it where a comma is decimal: `right;10;41,85`.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from barbox.calibration.meter import Reading, parse_reading
from barbox.calibration.steps import Target
from barbox.errors import UserError

COLUMNS = ("side", "cells", "reading")


@dataclass(frozen=True)
class Typed:
    """Reading of each input (from 0) that a file names; `mark` tells the file's text from any other."""

    readings: dict[int, Reading]
    mark: str


def read_points(path: Path, targets: Sequence[Target]) -> Typed:
    """What the file says. Raises UserError with the line."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise UserError(f"{path}: cannot be read ({error.strerror}); nothing was written") from None
    except UnicodeDecodeError:
        raise UserError(f"{path}: is no text in UTF-8; nothing was written") from None
    between = ";" if ";".join(COLUMNS) in text.lower().replace(" ", "") else ","
    rows = csv.reader(io.StringIO(text), skipinitialspace=True, delimiter=between)
    found: dict[int, Reading] = {}
    head: list[str] | None = None
    for row in rows:
        if not any(c.strip() for c in row) or row[0].startswith("#"):
            continue
        where = f"{path}, line {rows.line_num}"
        cells = [c.strip() for c in row]
        if head is None:
            head = [c.lower() for c in cells]
            if tuple(head) != COLUMNS:
                raise UserError(f"{where}: the first line must be {','.join(COLUMNS)}; nothing was written")
            continue
        if len(cells) != len(COLUMNS):
            raise UserError(
                f'{where}: has {len(cells)} columns and needs {len(COLUMNS)}; a decimal comma stands in quotes, as in '
                'left,10,"41,90"; nothing was written'
            )
        n = _input(cells[0], cells[1], targets, where)
        if n in found:
            raise UserError(f"{where}: names {cells[0]} at {cells[1]} cells a second time; nothing was written")
        try:
            found[n] = parse_reading(cells[2])
        except UserError as error:
            raise UserError(f"{where}: {error}; nothing was written") from None
    if not found:
        raise UserError(f"{path}: holds no reading; write {','.join(COLUMNS)} and a line for each sense point")
    return Typed(found, sha256(text.encode()).hexdigest()[:16])


def _input(side: str, cells: str, targets: Sequence[Target], where: str) -> int:
    for t in targets:
        if t.side == side and str(t.cells) == cells:
            return t.input
    known = ", ".join([f"{t.side},{t.cells}" for t in targets])
    raise UserError(f"{where}: the rig has no sense point {side},{cells}; these are: {known}; nothing was written")
