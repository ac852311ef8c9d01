"""What was measured, written into the text of a rig sheet: its comments, its order and its line ends stay."""

from __future__ import annotations

import re
from collections.abc import Mapping

from barbox.errors import UserError
from barbox.rig.sheet import read

_SIDE = re.compile(r"^\s*\[\[\s*side\s*\]\]\s*(#.*)?$")
_TABLE = re.compile(r"^\s*\[")


def with_measured(text: str, source: str, sides: Mapping[int, Mapping[str, str | None]]) -> str:
    """The text of a sheet with keys of its sides set: `sides[n][key]` is the value in TOML, of one line, None to
    comment the key out; n from 0.

    A key that is there is replaced, with whatever lines its value took; one that is commented out comes back;
    a new one goes to the end of its side. Raises UserError when the sheet would not read any more, or has no such side.
    """
    end = "\r\n" if "\r\n" in text else "\n"  # not splitlines: it also splits at signs that TOML keeps in a comment
    lines = text.replace("\r\n", "\n").removesuffix("\n").split("\n")
    starts = [n for n, line in enumerate(lines) if _SIDE.match(line)]
    for side in sorted(sides, reverse=True):
        if side >= len(starts):
            raise UserError(f"{source}: has no [[side]] number {side + 1}: it is written in another way; add the "
                            "values by hand")
        first = starts[side] + 1
        last = next((n for n in range(first, len(lines)) if _TABLE.match(lines[n])), len(lines))
        lines[first:last] = _set(lines[first:last], sides[side])
    new = end.join(lines) + end
    read(new.encode(), source)
    return new


def _set(block: list[str], values: Mapping[str, str | None]) -> list[str]:
    for key, value in values.items():
        given = re.compile(rf"^(\s*){re.escape(key)}\s*=")
        silent = re.compile(rf"^(\s*)#\s*{re.escape(key)}\s*=")
        at = next((n for n, line in enumerate(block) if given.match(line)), None)
        if value is None:
            if at is not None:
                taken = block[at : (end := at + _lines_of(block, at))]
                block[at:end] = [f"# {line}" for line in taken]
            continue
        if at is None:
            at = next((n for n, line in enumerate(block) if silent.match(line)), None)
            span = 1
        else:
            span = _lines_of(block, at)
        if at is None:
            at, span = len(block), 0
            # Above the empty lines and comments that belong to the next table.
            while at and (not block[at - 1].strip() or block[at - 1].lstrip().startswith("#")):
                at -= 1
        block[at : at + span] = [f"{key} = {value}"]
    return block


def _lines_of(block: list[str], at: int) -> int:
    """Lines that the value beginning there takes: until its brackets are closed. Text in quotes does not count."""
    depth = 0
    for n in range(at, len(block)):
        bare = re.sub(r"\"[^\"]*\"|'[^']*'|#.*", "", block[n])
        depth += sum(bare.count(c) for c in "[{") - sum(bare.count(c) for c in "]}")
        if depth <= 0:
            return n - at + 1
    return len(block) - at
