"""Settings as people write them: names such as `ramp_up_ms`, `side1.cells`, `left.cells`, `sense3.offset_mv`.

Values to text and back, and settings files in TOML. Names, limits and units come from the settings table.
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from barbox.errors import UserError
from barbox.rig.table import nearest
from shared_proto.settings import GROUPS, SETTINGS, Setting, Values

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

_INT = re.compile(r"[+-]?\d+")


@dataclass(frozen=True)
class Slot:
    """One setting of one side or sense input: row of the table and index from 0."""

    row: int
    index: int

    @property
    def setting(self) -> Setting:
        """Its row of the settings table."""
        return SETTINGS[self.row]

    @property
    def name(self) -> str:
        """As people write it, numbered from 1."""
        s = self.setting
        return f"{s.group}{self.index + 1}.{s.name}" if s.group else s.name

    def of(self, values: Values) -> Any:
        """Its value."""
        return values.rows[self.row][self.index]


def slots() -> Iterator[Slot]:
    """All settings, in the order of the table, side by side and input by input."""
    for group, count in GROUPS.items():
        for index in range(count):
            for row, s in enumerate(SETTINGS):
                if s.group == group:
                    yield Slot(row, index)


def side_names(values: Values) -> list[str]:
    """The names of the sides in use."""
    return [as_text(values.get("side.name", n)) for n in range(values.get("sides"))]


def find(name: str, sides: Sequence[str] = ()) -> Slot:
    """The setting of a name; `sides` are the names of the sides, "left.cells" being "side1.cells".

    Raises UserError, with the name that was probably meant.
    """
    known = {s.name: s for s in slots()}
    for n, side in enumerate(sides):
        for row, s in enumerate(SETTINGS):
            if s.group == "side":
                known.setdefault(f"{side}.{s.name}", Slot(row, n))
    if name in known:
        return known[name]
    meant = nearest(name, known)
    if meant:
        raise UserError(f"{name} is not a setting; did you mean {meant}?")
    raise UserError(f"{name} is not a setting; `barbox settings show` lists them all")


def as_text(value: Any) -> str:
    """A value as a person reads and types it: "2000", "0,316,...", "left"."""
    if isinstance(value, bytes):
        return value.decode("ascii", "replace")
    if isinstance(value, tuple):
        return ",".join([str(v) for v in value])
    return str(value)


def as_json(value: Any) -> Any:
    """A value for JSON and TOML: text, number or list of numbers."""
    if isinstance(value, bytes):
        return value.decode("ascii", "replace")
    return list(value) if isinstance(value, tuple) else value


def parse(slot: Slot, text: str) -> Any:
    """The checked value of a typed text. Raises UserError with name, fault and range."""
    s = slot.setting
    if s.code[-1] == "s":
        return from_json(slot, text)
    parts = [p.strip() for p in text.split(",")]
    wrong = next((p for p in parts if not _INT.fullmatch(p)), None)
    if wrong is not None:
        raise UserError(f'{slot.name}: "{wrong}" is not a whole number; {wants(s)}')
    numbers = [int(p) for p in parts]
    return from_json(slot, numbers if len(numbers) > 1 or len(s.code) > 1 else numbers[0])


def from_json(slot: Slot, value: Any) -> Any:
    """The checked value of what a file holds. Raises UserError with name, fault and range."""
    s = slot.setting
    if s.code[-1] == "s":
        if not isinstance(value, str) or not value.isascii() or not (value.isprintable() or value == ""):
            raise UserError(f"{slot.name}: {value!r} is not plain text; {wants(s)}")
        fit: Any = value.encode()
    elif len(s.code) > 1:
        if not isinstance(value, list) or not all(_whole(v) for v in value):
            raise UserError(f"{slot.name}: {value!r} is not a list of whole numbers; {wants(s)}")
        fit = tuple(value)
    else:
        if not _whole(value):
            raise UserError(f"{slot.name}: {value!r} is not a whole number; {wants(s)}")
        fit = value
    try:
        s.pack(fit)
    except ValueError as error:
        raise UserError(f"{slot.name}: {error}") from None
    return fit


def _whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def limits(s: Setting) -> str:
    """What a setting may be, in short: "500..20000", "11 x 0..1000", "text, 16"."""
    if s.code[-1] == "s":
        return f"text, {s.code[:-1]}"
    count = s.code[:-1]
    return f"{count + ' x ' if count else ''}{s.low}..{s.high}"


def wants(s: Setting) -> str:
    """What to write, as the end of a sentence."""
    if s.code[-1] == "s":
        return f"write at most {s.code[:-1]} plain letters"
    unit = f" {s.unit}" if s.unit else ""
    if len(s.code) > 1:
        return f"write {s.code[:-1]} whole numbers in {s.low}..{s.high}{unit}, separated by commas"
    return f"write a whole number in {s.low}..{s.high}{unit}"


def to_file(values: Values, about: str) -> str:
    """All settings as a TOML file; `about` says in a comment which box they are from."""
    lines = [f"# {line}" for line in about.splitlines()]
    group = None
    for slot in slots():
        s = slot.setting
        if (s.group, slot.index) != group:
            group = (s.group, slot.index)
            lines.append("")
        value = as_json(slot.of(values))
        text = json.dumps(value)
        unit = f"{s.unit}: " if s.unit else ""
        lines.append(f"{slot.name} = {text}  # {unit}{s.help}" if slot.index == 0 else f"{slot.name} = {text}")
    return "\n".join(lines) + "\n"


def from_file(data: bytes, source: str) -> dict[Slot, Any]:
    """The settings of a file, any number of them, checked. Raises UserError naming the file."""
    try:
        parsed = tomllib.loads(data.decode())
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise UserError(f"{source}: is not a settings file in TOML ({error}); `settings save` writes one") from None
    found: dict[Slot, Any] = {}
    for name, value in _flat(parsed):
        try:
            slot = find(name)
            found[slot] = from_json(slot, value)
        except UserError as error:
            raise UserError(f"{source}: {error}") from None
    if not found:
        raise UserError(f"{source}: holds no setting; `barbox settings save` writes such a file")
    return found


def _flat(table: dict[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{prefix}{key}.")
        else:
            yield prefix + key, value


def put_all(values: Values, wanted: dict[Slot, Any]) -> Values:
    """A copy of `values` with `wanted` put in."""
    merged = values.copy()
    for slot, value in wanted.items():
        merged.rows[slot.row][slot.index] = value
    return merged
