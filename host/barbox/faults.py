"""What the box has latched and counted: fetched over a link, put into plain words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timezone
from typing import Any

from barbox import words
from barbox.errors import BoxError
from barbox.link.client import UPDATE, Client
from barbox.records import Event, Faults
from shared_proto import messages, states

_COUNTED = (
    ("held", states.CAUSES),
    ("sense", states.SENSE_FAULTS),
    ("resets", states.RESETS),
    ("errors", states.PARTS),
)
_MOST = 0xFFFF
_PAGES = 100  # of a log that never ends something is wrong


@dataclass(frozen=True)
class Stored:
    """One event of the log. `number` counts since the log began, `boot` is the start of the box, `time_ms` since
    then, `unix_s` 0 when nobody had told the box the time, `times` how often within a few seconds."""

    number: int
    boot: int
    time_ms: int
    unix_s: int
    event: Event
    times: int

    def when(self) -> str:
        """"2026-05-01 12:00:03 UTC" where the box knew it, else "start 12, 1:03.5"."""
        return _when(self.boot, self.time_ms, self.unix_s)

    def text(self) -> str:
        """The event in words, with how often."""
        more = "" if self.times < 2 else f" ({self.times}{' or more' if self.times == 255 else ''} times)"
        return words.event_text(self.event) + more

    def as_json(self) -> dict[str, Any]:
        """For scripts."""
        e = self.event
        return {
            "number": self.number,
            "boot": self.boot,
            "time_ms": self.time_ms,
            "unix_s": self.unix_s or None,
            "event": states.name(states.EVENTS, e.event),
            "a": e.a,
            "b": e.b,
            "times": self.times,
            "text": words.event_text(e),
        }


async def fetch(client: Client, clear: bool = False) -> tuple[Faults, list[Stored]]:
    """Counters and stored events; with `clear` they are forgotten once told.

    Events come first, so that what a clear forgets has been read. Raises Refused (`clear`, and the box not LOCKED),
    BoxError.
    """
    stored: list[Stored] = []
    first = 0
    for _ in range(_PAGES):
        page = await client.request(messages.LOG_GET, first)
        for k in range(min(page.count, len(page.boot))):
            event = Event(messages.EVENT.kind, 0, page.time_ms[k], page.event[k], page.a[k], page.b[k])
            number = page.first + k
            stored.append(Stored(number, page.boot[k], page.time_ms[k], page.unix_s[k], event, page.times[k]))
        first = page.first + page.count
        if first >= page.end or page.count == 0:
            break
    else:
        raise BoxError(f"{client.link.url}: the log of the box has no end; {UPDATE}")
    return await client.request(messages.FAULTS_GET, 1 if clear else 0), stored


def _when(boot: int, time_ms: int, unix_s: int) -> str:
    if unix_s:
        return f"{datetime.fromtimestamp(unix_s, timezone.utc):%Y-%m-%d %H:%M:%S} UTC"
    return f"start {boot}, {words.clock(time_ms).strip()}"


def counted(faults: Faults) -> Iterator[tuple[str, str, str, int]]:
    """(field, name, plain words, count) of every counter that is not 0."""
    for field, table in _COUNTED:
        for n, count in enumerate(getattr(faults, field)):
            if count:
                yield field, states.name(table, n), states.words(table, n), count
    if faults.overruns:
        yield "overruns", "", "the control step came late by a frame or more", faults.overruns
    if faults.unlogged:
        yield "unlogged", "", "events that the log never saw: they came too fast", faults.unlogged
    if faults.write_errors:
        text = "writes of the log that failed since this start: flash full or worn"
        yield "write_errors", "", text, faults.write_errors
    if faults.bad_frames or faults.oversized_frames:
        both = faults.bad_frames + faults.oversized_frames
        yield "frames", "", "damaged or oversized frames from a host since this start", both


_HEADS = {"held": "held", "sense": "sensing", "resets": "started", "errors": "failed or silent"}


def report(faults: Faults, stored: list[Stored]) -> list[str]:
    """All of it in plain words, a line each."""
    out = [f"start {faults.boots} of the box; counted since start {faults.since_boot}"]
    if faults.unseen:
        out.append(f"last stop, not cleared by anyone: {words.stop_text(faults.unseen)}")
    if faults.last_cause:
        when = _when(faults.last_boot, faults.last_time_ms, faults.last_unix_s)
        out.append(f"last HELD: {states.words(states.CAUSES, faults.last_cause)} ({when})")
    for field, _, text, count in counted(faults):
        head = _HEADS.get(field)
        many = f"{count} or more" if count == _MOST else str(count)
        out.append(f"  {many} x {head + ': ' if head else ''}{text}")
    if not stored:
        out.append("no events stored")
    else:
        older = stored[0].number
        out.append("events, oldest first:" + (f" ({older} older ones are gone)" if older else ""))
        width = max(len(s.when()) for s in stored)
        out += [f"  {s.when():{width}s}  {s.text()}" for s in stored]
    if faults.unsaved:
        out.append("not all of this is on the box's flash yet: it is written while the box is LOCKED or HELD")
    return out


def as_json(faults: Faults, stored: list[Stored]) -> dict[str, Any]:
    """The same for scripts: every field of the message, counters by name, events."""
    out = faults._asdict()
    del out["kind"], out["number"]
    for field, table in _COUNTED:
        out[field] = {states.name(table, n): c for n, c in enumerate(getattr(faults, field)) if c or n < len(table)}
    return {
        "type": "faults",
        **out,
        "last_cause_name": states.name(states.CAUSES, faults.last_cause),
        "unseen_text": words.stop_text(faults.unseen) or None,
        "events": [s.as_json() for s in stored],
    }
