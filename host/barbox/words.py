"""A status or an event in plain words, with the settings it is to be read with."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from barbox import uncertainty
from barbox.records import Event, Identity, Status
from barbox.uncertainty import Uncertainty
from shared_proto import messages, settings, states

# The settings that `Layout` reads.
NEEDED = (
    "sides",
    "side.name",
    "side.cells",
    "sense.side",
    "sense.cells",
    "sense.kind",
    "sense.calibrated",
    "sense.uncertainty_mv",
    "wheel_mm",
)


@dataclass(frozen=True)
class Section:
    """The cells below one sense input, down to the next input of the same side. `cells` is 0 if not stated."""

    sense: int
    cells: int


@dataclass(frozen=True)
class Side:
    """One side: its name and its sections, from the bottom up; the last ends at the top of the string.

    `others`: inputs that sense something else of it, with what that is.
    """

    name: str
    sections: tuple[Section, ...]
    uncertainty: Uncertainty
    others: tuple[tuple[int, str], ...] = ()


class Layout:
    """Which sense input belongs where, from the settings of the box, and how far each string may be off.

    Without the box's `identity` that is what the calibration left, without drift and ground offset.
    """

    def __init__(self, values: settings.Values, identity: Identity | None = None) -> None:
        known = identity._asdict() if identity else {}
        self.sides = [self._side(values, n, uncertainty.of_side(known, n)) for n in range(values.get("sides"))]
        self.has_wheel = values.get("wheel_mm") > 0

    @staticmethod
    def _side(values: settings.Values, n: int, known: Uncertainty | None) -> Side:
        of_side = [i for i in range(messages.SENSES_MAX) if values.get("sense.side", i) == n + 1]
        kinds = [(i, values.get("sense.kind", i)) for i in of_side]
        inputs = [i for i, kind in kinds if kind == settings.POINT]
        inputs.sort(key=lambda i: values.get("sense.cells", i))
        sections = []
        below = 0
        for i in inputs:
            cells = values.get("sense.cells", i)
            sections.append(Section(i, max(0, cells - below)))
            below = cells
        if known is None:
            known = Uncertainty(max([values.get("sense.uncertainty_mv", i) for i in inputs], default=0))
        name = values.get("side.name", n).decode("utf-8", "replace")
        others = tuple([(i, settings.KINDS[kind]) for i, kind in kinds if kind != settings.POINT])
        return Side(name, tuple(sections), known, others)

    def volts(
        self, side: Side, status: Status
    ) -> tuple[float | None, list[float | None], list[float | None]]:
        """String voltage, section voltages and mean cell voltages of a side, in V; None when not known."""
        sections = [_volts(status.section_mv[s.sense]) for s in side.sections]
        # Not the top against box ground: the lowest section begins at the pack's own negative where that is sensed.
        known = sections and sections[-1] is not None
        top = round(sum([v for v in sections if v is not None]), 3) if known else None
        cells = [
            None if v is None or not n else round(v / n, 4)
            for v, n in zip(sections, self.spans(side, status), strict=True)
        ]
        return top, sections, cells

    def spans(self, side: Side, status: Status) -> list[int]:
        """Cells that each section voltage spans: a lost sense point makes two sections one, told at its upper end."""
        spans, below = [], 0
        for s in side.sections:
            below += s.cells
            spans.append(below)
            if _volts(status.section_mv[s.sense]) is not None:
                below = 0
        return spans

    def speed_km_h(self, status: Status) -> float | None:
        """By the wheel sensor; None without one."""
        return status.speed_dmh / 10 if self.has_wheel else None


def _known(value: int, scale: int) -> float | None:
    return None if value == messages.NOT_KNOWN_MV else value / scale


def _volts(mv: int) -> float | None:
    return _known(mv, 1000)


def clock(time_ms: int) -> str:
    """Minutes and seconds since the box started: "12:03.5"."""
    tenths = time_ms // 100
    return f"{tenths // 600:3d}:{tenths // 10 % 60:02d}.{tenths % 10}"


def line(status: Status, layout: Layout) -> str:
    """The figures of a status on one line."""
    out = [_head(status)]
    for n, side in enumerate(layout.sides):
        top, _, cells = layout.volts(side, status)
        each = (
            f" ({' '.join([_figure(v, 2) for v in cells])} V a cell)"
            if any(s.cells for s in side.sections)
            else ""
        )
        use = "".join([f" {text}" for text in _use(status, n)])
        off = f" +/- {_off_v(side, status, n):.2f} V" if top is not None else ""
        out.append(f"{side.name} {status.pulse_us[n]:4d} us {_figure(top, 2)} V{off}{each}{use}")
    speed, minutes = layout.speed_km_h(status), _known(status.minutes_left, 1)
    if speed is not None:
        out.append(f"{speed:.1f} km/h")
    if minutes is not None:
        out.append(f"{minutes:.0f} min left")
    return "  |  ".join(out)


def _off_v(side: Side, status: Status, n: int) -> float:
    """How far the string voltage may be off at the present current, in 95 of 100 cases."""
    return side.uncertainty.at_v(_known(status.current_da[n], 10))


def _growth(side: Side, status: Status, n: int) -> str:
    """What a current that is not known would add to that."""
    unknown = _known(status.current_da[n], 10) is None
    return f", {side.uncertainty.growth_words}" if unknown and side.uncertainty.growth_words else ""


def _use(status: Status, side: int) -> list[str]:
    """Current and charge left of a side, as far as they are known."""
    current, percent = _known(status.current_da[side], 10), _known(status.charge_pm[side], 10)
    return ([f"{current:.1f} A"] if current is not None else []) + (
        [f"{percent:.0f} % left"] if percent is not None else []
    )


def _whole(status: Status, layout: Layout) -> list[str]:
    """What is known beside the sides: speed, rest voltage, time left, supply."""
    out = []
    speed, minutes = layout.speed_km_h(status), _known(status.minutes_left, 1)
    if speed is not None:
        out.append(f"speed {speed:.1f} km/h")
    if minutes is not None:
        out.append(f"{minutes:.0f} min left at the present use")
    rest = _volts(status.rest_cell_mv)
    if rest:
        out.append(f"weakest section at rest {rest:.2f} V a cell")
    if status.supply_mv:
        out.append(f"supply of the lever {status.supply_mv / 1000:.2f} V")
    return out


def _head(status: Status) -> str:
    state = states.name(states.STATES, status.state)
    asked, given = status.lever_pm / 10, status.demand_pm / 10
    return f"{clock(status.time_ms)} {state:7s}  lever {asked:5.1f} %  demand {given:5.1f} %"


def explain(status: Status, layout: Layout) -> list[str]:
    """What the numbers of a status mean, and what to do about it: one sentence a line."""
    name, words = states.name, states.words
    out = [f"state {name(states.STATES, status.state)}: {words(states.STATES, status.state)}"]
    if status.state == states.HELD:
        out.append(f"cause: {words(states.CAUSES, status.cause)}; to clear it: {_clears(status.cause)}")
    elif status.waits:
        out.append(f"arming waits for: {words(states.WAITS, status.waits)}")
    if status.bench_phase:
        out.append(f"bench run: {words(states.BENCH_PHASES, status.bench_phase)}")
        if status.bench_end:
            out.append(f"the last bench step ended: {words(states.BENCH_ENDS, status.bench_end)}")
    if status.limit:
        out.append(f"limit: {words(states.LIMITS, status.limit)} (at most {status.limit_pm / 10:.1f} %)")
    out += [f"warning: {words(states.WARNINGS, bit)}" for bit in bits(status.warnings)]
    for side in layout.sides:
        for n, what in [(s.sense, side.name) for s in side.sections] + [
            (n, f"{side.name}, {kind}") for n, kind in side.others
        ]:
            fault = status.sense_fault[n]
            if fault:
                out.append(f"sense input {n + 1} ({what}): {words(states.SENSE_FAULTS, fault)}")
    return out


def _clears(cause: int) -> str:
    repair = states.CAUSES[cause][2] if 0 <= cause < len(states.CAUSES) else ""
    return f"{repair}, then lever at rest and press the arm button once" if repair else "restart the box"


def block(status: Status, layout: Layout) -> list[str]:
    """All of a status, several lines."""
    out = [_head(status)]
    for n, side in enumerate(layout.sides):
        top, sections, cells = layout.volts(side, status)
        off = f" (+/- {_off_v(side, status, n):.2f} V, 95 %{_growth(side, status, n)})"
        out.append(
            f"  {side.name:8s} pulse {status.pulse_us[n]:4d} us, string {_figure(top, 2)} V"
            + (off if top is not None else "")
        )
        spans = layout.spans(side, status)
        for section, v, cell, span in zip(side.sections, sections, cells, spans, strict=True):
            what = f"{span if v is not None else section.cells} cells" if section.cells else "cells not stated"
            out.append(
                f"    sense input {section.sense + 1}, {what}: {_figure(v, 2)} V, {_figure(cell, 3)} V a cell"
            )
        if use := _use(status, n):
            out.append(f"    {', '.join(use)}")
    if whole := _whole(status, layout):
        out.append(f"  {', '.join(whole)}")
    return out + ["  " + text for text in explain(status, layout)]


def _figure(value: float | None, digits: int) -> str:
    return "-" * (digits + 2) if value is None else f"{value:.{digits}f}"


def bits(word: int) -> Iterator[int]:
    """Numbers of the bits that are set, up to 16."""
    return (n for n in range(16) if word >> n & 1)


def event_text(event: Event) -> str:
    """An event in words."""
    name, words = states.name, states.words
    a, b = event.a, event.b
    kind = name(states.EVENTS, event.event)
    at_input = f" (sense input {b})" if b else ""
    texts = {
        states.EVENT_BOOT: lambda: f"the box started: {words(states.RESETS, a)}{_before(b)}",
        states.EVENT_STATE: lambda: (
            f"now {name(states.STATES, a)}" + (f": {words(states.CAUSES, b)}" if a == states.HELD else "")
        ),
        states.EVENT_WARNING_ON: lambda: f"warning: {words(states.WARNINGS, a)}{at_input}",
        states.EVENT_WARNING_OFF: lambda: f"over: {words(states.WARNINGS, a)}{at_input}",
        states.EVENT_ARM_REFUSED: lambda: f"arming refused, it waits for: {words(states.WAITS, a)}",
        states.EVENT_SENSE: lambda: f"sense input {a}: {words(states.SENSE_FAULTS, b)}",
        states.EVENT_LIMIT: lambda: f"limit: {words(states.LIMITS, a)}, {b / 10:.1f} %",
        states.EVENT_OVERRUN: lambda: f"the control step came late: {a} ms, {b} in all",
        states.EVENT_SETTINGS: lambda: f"settings number {a} are in force",
        states.EVENT_ERROR: lambda: f"failed or fell silent: {words(states.PARTS, a)}",
        states.EVENT_BENCH_STEP: lambda: (
            f"bench step: {name(states.BENCH_KINDS, a >> 8)}, {f'side {a & 255}' if a & 255 else 'all sides'},"
            f" {b / 10:.1f} % of the pulse span"
        ),
        states.EVENT_BENCH_END: lambda: f"bench step over after {b / 1000:.1f} s: {words(states.BENCH_ENDS, a)}",
        states.EVENT_BENCH_WITHHELD: lambda: f"pulses of side {a} are withheld",
        states.EVENT_IDLE_CHANGED: lambda: f"idle of side {a >> 12} has changed: {a & 4095} us before, {b} us now",
    }
    return texts[event.event]() if event.event in texts else f"{kind}: {a}, {b}"


def _before(b: int) -> str:
    """What the box did before a watchdog reset, from `b` of the boot event."""
    state, cause = (b >> 8) - 1, b & 0xFF
    if state < 0:
        return ""
    why = f", {states.words(states.CAUSES, cause)}" if cause else ""
    return f"; before: {states.name(states.STATES, state)}{why}"


def stop_text(unseen: int) -> str:
    """`unseen` of the faults message in words; empty for 0."""
    cause = states.words(states.CAUSES, unseen & 0x7F) if unseen & 0x7F else ""
    if unseen & 0x80:
        return states.words(states.RESETS, states.RESET_WATCHDOG) + (f", after: {cause}" if cause else "")
    return cause


def as_json(record: Status | Event, layout: Layout) -> dict[str, Any]:
    """A record for scripts: every field of the message, and the same in words and volts."""
    out = record._asdict()
    del out["kind"]
    if isinstance(record, Event):
        return {
            "type": "event",
            **out,
            "text": event_text(record),
            "event_name": states.name(states.EVENTS, record.event),
        }
    sides = []
    for n, side in enumerate(layout.sides):
        top, sections, cells = layout.volts(side, record)
        sides.append(
            {
                "name": side.name,
                "pulse_us": record.pulse_us[n],
                "string_v": top,
                "uncertainty_v": round(_off_v(side, record, n), 4),
                "uncertainty_growth_v_at_100_a": side.uncertainty.growth_mv / 1000,
                "reference_drift_v": side.uncertainty.drift_mv / 1000,
                "section_v": sections,
                "cell_v": cells,
                "current_a": _known(record.current_da[n], 10),
                "charge_percent": _known(record.charge_pm[n], 10),
            }
        )
    return {
        "type": "status",
        **out,
        "state_name": states.name(states.STATES, record.state),
        "cause_name": states.name(states.CAUSES, record.cause),
        "waits_name": states.name(states.WAITS, record.waits),
        "limit_name": states.name(states.LIMITS, record.limit),
        "bench_phase_name": states.name(states.BENCH_PHASES, record.bench_phase),
        "bench_end_name": states.name(states.BENCH_ENDS, record.bench_end),
        "warning_names": [states.name(states.WARNINGS, bit) for bit in bits(record.warnings)],
        "sides": sides,
        "speed_km_h": layout.speed_km_h(record),
        "rest_cell_v": _volts(record.rest_cell_mv) or None,
        "time_left_min": _known(record.minutes_left, 1),
        "supply_v": record.supply_mv / 1000 if record.supply_mv else None,
        "text": explain(record, layout),
    }
