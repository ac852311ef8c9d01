"""The `.ride` file: a recorded ride, packed as it came from the box.

    barbox ride 1\\n            magic and version of the format
    {"identity": ...}\\n        header, JSON on one line: see `header`
    chunk, chunk, ...          each: kind, count, length, CRC-32 (four u32, little-endian), then `length` bytes

The chunk's kind is a kind of the message table and its bytes are `count` records of it, or 0 for the last chunk,
the footer: JSON that says how the recording ended and what was lost. The CRC (ISO-HDLC) covers kind, count,
length and the bytes. Nothing in the file comes from a clock of the host, so that the same records give the same
bytes. A file is written as NAME.part and renamed when it is closed.
"""

from __future__ import annotations

import binascii
import json
import os
import struct
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from barbox import proto
from barbox.errors import UserError
from barbox.records import Identity
from shared_proto import messages, settings

if TYPE_CHECKING:
    from numpy.typing import NDArray

VERSION = 1
_MAGIC = b"barbox ride "
_CHUNK = struct.Struct("<IIII")
_FOOTER = 0
_KINDS = {m.kind: m for m in (messages.STATUS, messages.EVENT)}
_CHUNK_MS = 1000  # of the box's time: what a crash of the host can lose


def header(
    identity: Identity, values: settings.Values, started_unix_s: int | None, **extra: Any
) -> dict[str, Any]:
    """The header of a ride: who, with which settings, when (as the caller says), and how records are packed."""
    return {
        "dtypes": {m.name: _described(proto.dtype(m)) for m in _KINDS.values()},
        "identity": {k: v for k, v in identity._asdict().items() if k not in ("kind", "number")},
        "protocol": [messages.MAJOR, messages.MINOR],
        "settings": settings_by_name(values),
        "started_unix_s": started_unix_s,
        **extra,
    }


def settings_by_name(values: settings.Values) -> dict[str, Any]:
    """JSON of all settings: by name as in `settings.ROWS`, a list for those of each side or sense input."""

    def plain(value: Any) -> Any:
        if isinstance(value, bytes):
            return value.decode("utf-8", "replace")
        return list(value) if isinstance(value, tuple) else value

    out = {}
    for name, row in settings.ROWS.items():
        all_of = [plain(v) for v in values.rows[row]]
        out[name] = all_of if settings.SETTINGS[row].group else all_of[0]
    return out


class RideWriter:
    """Writes one ride. Use in `with`: on leaving, in whatever way, the file is completed and renamed.

    Raises UserError when `path` exists and `force` is not given, or cannot be written.
    """

    def __init__(self, path: str | os.PathLike[str], header: dict[str, Any], *, force: bool = False) -> None:
        self.path = Path(path)
        self.part = self.path.with_name(self.path.name + ".part")
        self.counts = dict.fromkeys(_KINDS, 0)
        self._room: dict[int, list[bytes]] = {kind: [] for kind in _KINDS}
        self._since_ms: int | None = None
        self._closed = False
        if self.path.exists() and not force:
            raise UserError(
                f"{self.path} exists already; choose another name, or give --force to overwrite it"
            )
        try:
            self._file = open(self.part, "wb")  # noqa: SIM115, closed by close()
            self._file.write(_MAGIC + b"%d\n" % VERSION + _json(header) + b"\n")
            self._file.flush()
        except OSError as error:
            raise UserError(f"{self.part} cannot be written: {error.strerror}") from error

    def add(self, body: bytes) -> None:
        """Keep the body of one status or event message. Raises ValueError for another kind or length."""
        message = _KINDS.get(body[0])
        if message is None or len(body) < message.size:
            raise ValueError("neither a status nor an event")
        self._room[message.kind].append(body[: message.size])
        self.counts[message.kind] += 1
        # Both kinds begin with time_ms.
        time_ms = int.from_bytes(body[3:7], "little")
        if self._since_ms is None:
            self._since_ms = time_ms
        elif not 0 <= time_ms - self._since_ms < _CHUNK_MS:
            self.flush()
            self._since_ms = time_ms

    def flush(self) -> None:
        """Hand what was added to the operating system. Raises UserError when the disk is full."""
        for kind, bodies in self._room.items():
            if bodies:
                self._chunk(kind, len(bodies), b"".join(bodies))
                bodies.clear()
        try:
            self._file.flush()
        except OSError as error:
            raise UserError(f"{self.part} cannot be written: {error.strerror}") from error

    def close(self, footer: dict[str, Any] | None = None) -> None:
        """Write the rest and the footer, and give the file its name. A second call does nothing."""
        if self._closed:
            return
        self._closed = True
        try:
            with self._file:
                self.flush()
                self._chunk(_FOOTER, 1, _json(footer or {}))
                self._file.flush()
                os.fsync(self._file.fileno())
            os.replace(self.part, self.path)
        except OSError as error:
            raise UserError(f"{self.path} cannot be written: {error.strerror}") from error

    def _chunk(self, kind: int, count: int, data: bytes) -> None:
        head = struct.pack("<III", kind, count, len(data))
        try:
            self._file.write(head + struct.pack("<I", binascii.crc32(data, binascii.crc32(head))) + data)
        except OSError as error:
            raise UserError(f"{self.part} cannot be written: {error.strerror}") from error

    def __enter__(self) -> RideWriter:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


@dataclass
class Ride:
    """A ride in memory.

    status, events  numpy structured arrays in order of arrival; the fields of the message table as the writer
                    had it (`kind` and `number` first), arrays of a field as subarrays, empty when there are none
    header, footer  what the writer knew, see `header` and `RideWriter.close`; `footer` is {} when it is missing
    notes           what is wrong with the file, in sentences; empty for a whole one
    """

    header: dict[str, Any]
    status: NDArray[np.void]
    events: NDArray[np.void]
    footer: dict[str, Any] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def settings(self, name: str) -> Any:
        """A setting of the box during the ride, by name ("sides", "side.cells"). Raises KeyError."""
        return self.header["settings"][name]


def read(path: str | os.PathLike[str]) -> Ride:
    """Read a ride, as far as it goes. Raises UserError for a file that is no ride, or of a newer version."""
    try:
        data = Path(path).read_bytes()
    except OSError as error:
        raise UserError(f"{path} cannot be read: {error.strerror}") from error
    at, head, dtypes = _read_header(str(path), data)
    parts, footer, notes = _read_chunks(memoryview(data), at, dtypes)
    status, events = (
        np.frombuffer(b"".join(parts[m.kind]), dtypes[m.kind]) for m in (messages.STATUS, messages.EVENT)
    )
    return Ride(head, status, events, footer, notes)


def _read_header(path: str, data: bytes) -> tuple[int, dict[str, Any], dict[int, np.dtype]]:
    first = data.find(b"\n")
    number = data[len(_MAGIC) : first]
    if not data.startswith(_MAGIC) or first < 0 or not number.isdigit():
        raise UserError(f"{path} is not a ride file")
    if int(number) > VERSION:
        raise UserError(
            f"{path} is a ride of format {int(number)}, this program reads up to {VERSION}; update it"
        )
    second = data.find(b"\n", first + 1)
    try:
        if second < 0:
            raise ValueError
        head = json.loads(data[first + 1 : second])
        dtypes = {kind: _dtype(head["dtypes"][m.name]) for kind, m in _KINDS.items()}
    except (ValueError, TypeError, KeyError, AttributeError, SyntaxError) as error:
        raise UserError(f"{path} is a ride with a damaged header; nothing can be read from it") from error
    return second + 1, head, dtypes


def _read_chunks(
    data: memoryview, at: int, dtypes: dict[int, np.dtype]
) -> tuple[dict[int, list[memoryview]], dict[str, Any], list[str]]:
    parts: dict[int, list[memoryview]] = {kind: [] for kind in dtypes}
    footer: dict[str, Any] | None = None
    damaged = 0
    notes = []
    while at < len(data):
        body = at + _CHUNK.size
        kind, count, length, crc = _CHUNK.unpack(data[at:body]) if body <= len(data) else (0, 0, 0, 0)
        if body + length > len(data):
            notes.append(f"the file is cut short: its last {len(data) - at} bytes were not read")
            break
        chunk = data[body : body + length]
        if binascii.crc32(chunk, binascii.crc32(data[at : at + 12])) != crc:
            damaged += 1
        elif kind == _FOOTER:
            footer = json.loads(bytes(chunk))
        elif kind in parts and length == count * dtypes[kind].itemsize:
            parts[kind].append(chunk)
        at = body + length
    if damaged:
        notes.append(f"{damaged} damaged {'part was' if damaged == 1 else 'parts were'} left out")
    if footer is None:
        notes.append("the recording was not ended properly")
    return parts, footer or {}, notes


def _json(value: dict[str, Any]) -> bytes:
    return json.dumps(value, sort_keys=True, separators=(",", ":")).encode()


def _described(dtype: np.dtype) -> list[list[Any]]:
    """JSON of a structured type: [name, code] or [name, code, count] for each field."""
    out: list[list[Any]] = []
    for name in dtype.names or ():
        base, shape = dtype[name].base, dtype[name].shape
        out.append([name, base.str, *shape])
    return out


def _dtype(described: list[list[Any]]) -> np.dtype:
    """The type that `_described` described. Raises ValueError or TypeError for anything else."""
    fields: list[Any] = []
    for name, code, *count in described:
        if np.dtype(code).kind not in "uiS" or not all(isinstance(c, int) and 0 < c < 256 for c in count):
            raise ValueError(code)
        fields.append((name, code, tuple(count)) if count else (name, code))
    dtype = np.dtype(fields)
    if not dtype.itemsize or dtype.names is None:
        raise ValueError("no fields")
    return dtype
