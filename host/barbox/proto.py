"""The host's faces of the message table: records, numpy types, CSV columns, type stubs and a page of documentation.

All are derived from `shared_proto.messages`; no field is written here.
"""

from __future__ import annotations

import functools
import re
from typing import TYPE_CHECKING, Any

from barbox.records import RECORDS, class_name
from shared_proto import messages
from shared_proto.messages import Message

if TYPE_CHECKING:
    import numpy as np

_ARRAY = re.compile(r"(\d*)([a-zA-Z*])")


def _split(code: str) -> tuple[int, str]:
    """(count, letter) of a struct code; the count is 0 where none is written."""
    match = _ARRAY.fullmatch(code)
    assert match, code
    return int(match[1] or 0), match[2]


def _places(message: Message) -> tuple[list[int | slice], list[int]]:
    """Where each field of the record lies among the flat values, and which fields are text."""
    places: list[int | slice] = [0, 1]
    texts = []
    at = 2
    for _, code, _, _ in message.fields:
        count, letter = _split(code)
        if letter == "s":
            texts.append(len(places))
        if count and letter != "s":
            places.append(slice(at, at + count))
            at += count
        else:
            places.append(at)
            at += 1
    return places, texts


_PLACES = {m.kind: _places(m) for m in messages.MESSAGES}


def unpack(body: bytes) -> Any:
    """The record of a body, or None for a kind of a newer version. Raises ValueError for a body too short."""
    message = messages.BY_KIND.get(body[0]) if body else None
    if message is None:
        return None
    flat = message.unpack(body)
    places, texts = _PLACES[message.kind]
    values: list[Any] = [flat[p] for p in places]
    for at in texts:
        values[at] = values[at].rstrip(b"\0").decode("ascii", "replace")
    return RECORDS[message.kind](*values)


def pack(message: Message, number: int, *values: Any) -> bytes:
    """The body of a message from one value a field: arrays as tuples or lists, text as str or bytes."""
    flat = []
    for value in values:
        if isinstance(value, (tuple, list)):
            flat.extend(value)
        else:
            flat.append(value.encode("ascii") if isinstance(value, str) else value)
    return message.pack(number, *flat)


@functools.cache
def dtype(message: Message) -> np.dtype:
    """numpy type of a whole body, `kind` and `number` first, packed as on the wire; arrays are subarrays.

    Raises ValueError for a message without a fixed length.
    """
    import numpy as np

    if message.tail:
        raise ValueError(f"{message.name} has no fixed length")
    fields: list[Any] = [("kind", "u1"), ("number", "<u2")]
    for name, code, _, _ in message.fields:
        count, letter = _split(code)
        if letter == "s":
            fields.append((name, f"S{count}"))
        else:
            base = np.dtype("<" + letter)
            fields.append((name, base, (count,)) if count else (name, base))
    return np.dtype(fields)


def columns(message: Message) -> list[str]:
    """CSV header: one name a number, arrays numbered from 1 ("pulse_us_1")."""
    names = ["number"]
    for name, code, _, _ in message.fields:
        count, letter = _split(code)
        if count and letter != "s":
            names += [f"{name}_{n + 1}" for n in range(count)]
        else:
            names.append(name)
    return names


def row(record: Any) -> list[Any]:
    """The values of a record under `columns`."""
    flat = []
    for value in record[1:]:
        if isinstance(value, tuple):
            flat.extend(value)
        else:
            flat.append(value)
    return flat


def markdown() -> str:
    """The message table as a Markdown page: one heading and one table a message."""
    out = [
        f"Protocol version {messages.MAJOR}.{messages.MINOR}. Every body begins with `kind` (B) and `number` (H)."
    ]
    for m in messages.MESSAGES:
        length = f"{m.size} bytes" + (" and more" if m.tail else "")
        out += [
            "",
            f"### {m.kind} `{m.name}`",
            "",
            f"From the {m.sender}: {m.help}. {length.capitalize()}.",
            "",
        ]
        if m.fields:
            out += ["| field | type | unit | meaning |", "| --- | --- | --- | --- |"]
            out += [f"| `{name}` | `{code}` | {unit} | {text} |" for name, code, unit, text in m.fields]
    return "\n".join(line.rstrip() for line in out) + "\n"


def stub() -> str:
    """The text of `records.pyi`."""
    out = [
        "# Printed from the message table by `python -m barbox.proto`; a test compares the two.",
        "from typing import Any, NamedTuple",
        "",
        "from shared_proto.messages import Message",
        "",
        "RECORDS: dict[int, Any]",
        "",
        "def class_name(message: Message) -> str: ...",
    ]
    for m in messages.MESSAGES:
        out += ["", f"class {class_name(m)}(NamedTuple):", "    kind: int", "    number: int"]
        for name, code, _, _ in m.fields:
            count, letter = _split(code)
            kind = {"s": "str", "*": "bytes"}.get(letter, "int")
            if count and letter != "s":
                kind = f"tuple[{', '.join([kind] * count)}]"
            # A field may have the name of a method of tuple; it wins at run time too.
            ignore = "  # pyright: ignore[reportIncompatibleMethodOverride]" if hasattr(tuple, name) else ""
            out.append(f"    {name}: {kind}{ignore}")
    return "\n".join(out) + "\n"


if __name__ == "__main__":
    print(stub(), end="")
