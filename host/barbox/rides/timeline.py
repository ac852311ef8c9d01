"""A ride on one time axis: records in order of time, voltages a cell by section, stretches, gaps.

Arithmetic only, on whole arrays; `account.py` puts it in words and `picture.py` draws it.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from barbox.errors import UserError
from barbox.rides.use import Use, use_of
from barbox.rig.model import section_name
from barbox.settings_text import Slot, find, from_json, slots
from shared_proto.messages import NOT_KNOWN_MV, SENSES_MAX
from shared_proto.settings import POINT, Values

_WRAP_MS = 1 << 30  # the box's clock of milliseconds
_GAP_FACTOR = 3.0  # an interval this many times the usual one is a gap


class Ride(Protocol):
    """What is needed of a ride: `barbox.rides.file.Ride` has it, and so may a test."""

    @property
    def status(self) -> NDArray[Any]:
        """Status records, dtype of `barbox.proto.dtype(messages.STATUS)`, in the order of arrival."""
        ...

    @property
    def events(self) -> NDArray[Any]:
        """Event records, dtype of `barbox.proto.dtype(messages.EVENT)`, in the order of arrival."""
        ...

    @property
    def header(self) -> Mapping[str, Any]:
        """With `settings`: values by name."""
        ...


@dataclass(frozen=True)
class Section:
    """One section: `cells` of it, the input at its top, and V a cell in each status record (NaN: not known).

    While the tap below it is lost, the voltage is the mean over both sections, and `merged` says so.
    """

    side: int
    side_name: str
    name: str
    cells: int
    input: int
    cell_v: NDArray[np.float64]
    merged: NDArray[np.bool_]

    @property
    def label(self) -> str:
        """ "right, upper section"."""
        return f"{self.side_name}, {self.name}"


@dataclass(frozen=True)
class Timeline:
    """A ride with `t_s` of each status and `event_t_s` of each event, from the first status on.

    `gap_at[i]`: a gap lies between status i and i + 1. `missed`: records that the running number shows were lost.
    `restarts`: how often the box started anew in mid-ride.
    """

    status: NDArray[Any]
    events: NDArray[Any]
    settings: Values
    side_names: list[str]
    t_s: NDArray[np.float64]
    event_t_s: NDArray[np.float64]
    sections: list[Section]
    gap_at: NDArray[np.int64]
    missed: int
    restarts: int
    use: Use

    @property
    def duration_s(self) -> float:
        """From the first status to the last."""
        return float(self.t_s[-1]) if len(self.t_s) else 0.0

    def interval_s(self) -> NDArray[np.float64]:
        """How long each status stands for: until the next one, a gap counting as one usual interval."""
        if len(self.t_s) < 2:
            return np.zeros(len(self.t_s))
        steps = np.diff(self.t_s)
        usual = float(np.median(steps))
        steps[self.gap_at] = usual
        return np.append(steps, 0.0)

    def at(self, t_s: float) -> int:
        """The status nearest to a time."""
        return int(np.argmin(np.abs(self.t_s - t_s)))

    def stretches(self, mask: NDArray[np.bool_], merge_s: float = 0.0) -> list[tuple[int, int]]:
        """(first, last) status of each stretch where `mask` holds; those less than `merge_s` apart are one."""
        edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
        found: list[tuple[int, int]] = []
        for first, end in edges.reshape(-1, 2).tolist():
            if found and self.t_s[first] - self.t_s[found[-1][1]] < merge_s:
                found[-1] = (found[-1][0], end - 1)
            else:
                found.append((first, end - 1))
        return found

    def lowest(self, first: int, last: int) -> tuple[Section, float, int] | None:
        """(section, V a cell, status) of the lowest cell voltage between two status records, both included."""
        best = None
        for section in self.sections:
            part = section.cell_v[first : last + 1]
            if np.isfinite(part).any():
                i = int(np.nanargmin(part))
                if best is None or part[i] < best[1]:
                    best = (section, float(part[i]), first + i)
        return best

    def section_of(self, input_number: int) -> Section | None:
        """The section below a sense input (from 1)."""
        return next((s for s in self.sections if s.input == input_number), None)

    def idle(self) -> NDArray[np.bool_]:
        """Whether all pulses are at idle, for each status."""
        sides = len(self.side_names)
        idle_us = np.array([self.settings.get("side.idle_us", n) for n in range(sides)])
        return np.all(self.status["pulse_us"][:, :sides] <= idle_us, axis=1)


def timeline(ride: Ride) -> Timeline:
    """The time axis of a ride and what can be read along it."""
    status, events = ride.status, ride.events
    settings = settings_of(ride.header.get("settings", {}))
    ms, event_ms, segment = _axis(status["time_ms"], events["time_ms"])
    start = ms[0] if len(ms) else 0
    t_s = (ms - start) / 1000.0
    names = [settings.get("side.name", n).decode("ascii", "replace") for n in range(settings.get("sides"))]
    steps = np.diff(t_s)
    usual = float(np.median(steps)) if len(steps) else 0.0
    gaps = np.flatnonzero(steps > _GAP_FACTOR * usual) if usual > 0 else np.zeros(0, np.int64)
    return Timeline(
        status=status,
        events=events,
        settings=settings,
        side_names=names,
        t_s=t_s,
        event_t_s=np.maximum((event_ms - start) / 1000.0, 0.0),
        sections=_sections(status, settings, names),
        gap_at=gaps,
        missed=_missed(status["number"], segment, events["number"], ms, event_ms),
        restarts=int(segment[-1]) if len(segment) else 0,
        use=use_of(status, settings, len(names)),
    )


def settings_of(by_name: Mapping[str, Any]) -> Values:
    """Settings from a header: `side1.cells` or, with a list for all sides, `side.cells`; the rest at defaults.

    Names and values of another version are passed over, so that its rides can still be read.
    """
    values = Values()
    groups: dict[str, list[Slot]] = {}
    for slot in slots():
        s = slot.setting
        groups.setdefault(f"{s.group}.{s.name}" if s.group else s.name, []).append(slot)
    known = {slot.name for same in groups.values() for slot in same}
    for name, value in by_name.items():
        if name in known:
            pairs = [(find(name), value)]
        elif name in groups and isinstance(value, (list, tuple)):
            pairs = list(zip(groups[name], value, strict=False))
        else:
            continue
        for slot, one in pairs:
            if isinstance(one, bytes):
                one = one.decode("ascii", "replace")
            with contextlib.suppress(UserError):
                values.rows[slot.row][slot.index] = from_json(slot, list(one) if isinstance(one, tuple) else one)
    return values


def _since_start(time_ms: NDArray[Any]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Milliseconds since the box started, beyond the wrap of its clock, and which of its starts, from 0.

    The clock wraps after 12.4 days; any other step back is a new start.
    """
    ms = time_ms.astype(np.int64)
    steps = np.diff(ms, prepend=ms[:1])
    wraps = np.cumsum(steps < -_WRAP_MS // 2)
    starts = (steps < 0) & (steps >= -_WRAP_MS // 2)
    first = np.flatnonzero(np.concatenate((np.ones(min(len(ms), 1), bool), starts[1:])))
    segment = np.cumsum(starts).astype(np.int64)
    if len(ms):
        ms = ms + _WRAP_MS * (wraps - wraps[first][segment])
    return ms, segment


def _axis(
    status_ms: NDArray[Any], event_ms: NDArray[Any]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Times of status records and of events on one axis, and which start of the box each status belongs to.

    A new start follows on the last status of the start before.
    """
    ms, segment = _since_start(status_ms)
    own_ms, own_segment = _since_start(event_ms)
    if not len(ms):
        return ms, own_ms, segment
    last = np.flatnonzero(np.diff(segment))
    shift = np.concatenate(([0], np.cumsum(ms[last])))
    return ms + shift[segment], own_ms + shift[np.minimum(own_segment, len(shift) - 1)], segment


def _missed(
    number: NDArray[Any],
    segment: NDArray[np.int64],
    event_number: NDArray[Any],
    ms: NDArray[np.int64],
    event_ms: NDArray[np.int64],
) -> int:
    """Records lost, by the running number that status and events share; it may begin anew with each start."""
    if not len(number):
        return 0
    raw = number.astype(np.int64)
    steps = np.diff(raw) % 65536
    whole = np.concatenate(([0], np.cumsum(steps))) + raw[0]
    missed = 0
    at = np.clip(np.searchsorted(ms, event_ms), 0, len(ms) - 1)
    near = whole[at]
    event_whole = near + (event_number.astype(np.int64) - near + 32768) % 65536 - 32768
    for k in range(int(segment[-1]) + 1):
        mine = np.concatenate((whole[segment == k], event_whole[segment[at] == k]))
        inside = np.unique(mine)
        missed += int((np.diff(inside) - 1).sum())
    return missed


def _sections(status: NDArray[Any], settings: Values, names: list[str]) -> list[Section]:
    sections = []
    for side, side_name in enumerate(names):
        points = sorted(
            (settings.get("sense.cells", n), n)
            for n in range(SENSES_MAX)
            if settings.get("sense.side", n) == side + 1
            and settings.get("sense.kind", n) == POINT
            and settings.get("sense.cells", n)
        )
        below = 0
        below_now = np.zeros(len(status), np.int64)  # cells below the nearest believed point under this one
        for k, (cells, n) in enumerate(points):
            mv = status["section_mv"][:, n].astype(float)
            known = status["section_mv"][:, n] != NOT_KNOWN_MV
            cell_v = np.where(known, mv / 1000.0 / (cells - below_now), np.nan)
            merged = known & (below_now < below)
            name = section_name(k, len(points))
            sections.append(Section(side, side_name, name, cells - below, n + 1, cell_v, merged))
            below_now = np.where(known, cells, below_now)
            below = cells
    return sections
