"""A new rig sheet for a person to fill in: the example's own text, with their sides, cells and board.

What only a measurement can tell (curve, current) is left as a comment, so a new sheet rides capped.
"""

from __future__ import annotations

import re
from importlib import resources

from barbox.rig.boards import Board
from barbox.rig.dividers import suggest_upper_kohm
from barbox.rig.keys import FULL_CELL_V

EXAMPLE = "trike.toml"
_LOWER_KOHM = {True: 10.0, False: 2.2}  # with taps, without: a chip's own ADC loads the divider more
_SIDE = "[[side]]\n"


def example_text() -> str:
    """The example rig sheet."""
    return (resources.files("barbox.examples") / EXAMPLE).read_text("utf-8")


def new_text(name: str, sides: list[str], cells: int, board: Board) -> str:
    """The text of a new sheet; it loads as it stands. Taps half-way up where board and inputs allow."""
    head, first, _ = example_text().split(_SIDE, 2)
    head = _set(head, "name", f'"{name}"')
    head = _set(head, "board", f'"{board.name}"')
    head = _set(head, "tracks", str(board.lever_tracks))
    head = re.sub(r"^# A rig sheet:.*\n", lambda m: m[0] + "# Written as a start: correct each line.\n", head)
    tapped = board.taps and cells > 1 and 2 * len(sides) <= board.inputs
    each = board.inputs // len(sides) if len(sides) <= board.inputs else 0
    # With two ADC parts each side has inputs of its own part, so that a part that fails blinds one side only.
    blocks = [_side(first, side, cells, 1 + n * each, each, tapped, board) for n, side in enumerate(sides)]
    return head + "\n".join([_SIDE + b.rstrip("\n") + "\n" for b in blocks])


def _side(text: str, name: str, cells: int, first_input: int, each: int, tapped: bool, board: Board) -> str:
    half = cells // 2
    packs = [half, cells - half] if cells > 6 or tapped else [cells]
    points = [packs[0], cells] if tapped else [cells]
    lower = _LOWER_KOHM[board.taps]
    sense = []
    for n, top in enumerate(points):
        upper = suggest_upper_kohm(FULL_CELL_V * top / board.pin_limit_v, lower)
        sense.append(
            f"{{ cells = {top}, input = {first_input + n}, upper_kohm = {upper:g}, lower_kohm = {lower:g} }}"
        )
    text = _set(text, "name", f'"{name}"')
    text = _set(text, "cells", str(cells))
    text = _set_list(text, "packs", [f"{{ cells = {n}, capacity_ah = 10.0, c_rate = 25 }}" for n in packs])
    text = _set_list(text, "sense", sense)
    ground = first_input + len(points)
    if board.below_ground and ground < first_input + each:
        text = re.sub(r"^negative = .*", f"negative = {{ input = {ground} }}", text, flags=re.MULTILINE)
    else:
        text = re.sub(r"(^# The pack's own negative.*\n(# .*\n)*)?^negative = .*\n", "", text, flags=re.MULTILINE)
    return re.sub(r"^(curve_pm|current_a) = ", r"# \1 = ", text, flags=re.MULTILINE)


def _set(text: str, key: str, value: str) -> str:
    new, count = re.subn(rf'^({key} = )("[^"]*"|\S+)', rf"\g<1>{value}", text, count=1, flags=re.MULTILINE)
    assert count == 1, key
    return new


def _set_list(text: str, key: str, entries: list[str]) -> str:
    body = "".join([f"    {e},\n" for e in entries])
    new, count = re.subn(rf"^{key} = \[\n.*?^\]\n", f"{key} = [\n{body}]\n", text, flags=re.MULTILINE | re.DOTALL)
    assert count == 1, key
    return new
