"""What happened in a ride, told in plain words with the figures that matter."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from barbox.rides import use
from barbox.rides.figures import events_of, summarise
from barbox.rides.timeline import Ride, Timeline, timeline
from barbox.uncertainty import of_side
from shared_proto import states

_TOLD_ELSEWHERE = ("CUTBACK", "SENSE")  # by cutback and sensing faults, with their figures
_BRIEF_REST_S = 10.0  # a shorter rest of the lever does not end a stretch of driving
_BRIEF_S = 5.0  # overruns that follow each other sooner are told in one line


@dataclass(frozen=True)
class Line:
    """One line of an account: seconds from the first record, and what happened then."""

    t_s: float
    text: str

    def __str__(self) -> str:
        return f"{clock(self.t_s)} {self.text}"


def clock(t_s: float) -> str:
    """ "05:12", or "1:05:12" from an hour on."""
    whole = int(t_s)
    hours = f"{whole // 3600}:" if whole >= 3600 else ""
    return f"{hours}{whole % 3600 // 60:02d}:{whole % 60:02d}"


def account(ride: Ride) -> list[Line]:
    """What happened when, with the figures that matter, in the order of time."""
    line = timeline(ride)
    if not len(line.status):
        return [Line(0.0, "no record")]
    found = summarise(line)
    lines = [_begin(line), *_uncertainty(line, ride.header.get("identity", {}))]
    lines += _driving(line)
    lines += [_refusal(r) for r in found["arming_refused"]]
    lines += _arming(line)
    lines += [_stop(s) for s in found["stops"]]
    lines += [_warning(line, w) for w in found["warnings"] if w["name"] not in _TOLD_ELSEWHERE]
    lines += [text for c in found["cutbacks"] for text in _cutback(c)]
    lines += [text for f in found["sense_faults"] for text in _fault(f)]
    lines += _gaps(found)
    lines += _late(line)
    lines += _rest_ofevents_of(line)
    lines.sort(key=lambda one: one.t_s)
    lines += _energy(found, line.duration_s)
    lines.append(_end(line))
    return lines


def _percent(pm: int) -> str:
    return f"{pm / 10:.0f} %"


def _begin(line: Timeline) -> Line:
    first = line.status[0]
    text = f"recording begins: {states.name(states.STATES, int(first['state']))}"
    if first["waits"]:
        text += f"; to arm: {states.words(states.WAITS, int(first['waits']))}"
    return Line(0.0, "; ".join([text, *_packs(line, 0)]))


def _uncertainty(line: Timeline, identity: Mapping[str, Any]) -> list[Line]:
    """How far the string voltages of this ride may be off, where the box has said so."""
    told = []
    for side, name in enumerate(line.side_names):
        known = of_side(identity, side)
        if known:
            more = f" and {known.growth_words}" if known.growth_words else ""
            told.append(f"{name} +/- {known.at_v(None):.2f} V{more}")
    return [Line(0.0, f"string voltages as the box states them: {', '.join(told)} (95 %)")] if told else []


def _end(line: Timeline) -> Line:
    last = len(line.status) - 1
    text = f"recording ends: {states.name(states.STATES, int(line.status['state'][last]))}"
    return Line(line.duration_s, "; ".join([text, *_packs(line, last)]))


def _packs(line: Timeline, at: int) -> list[str]:
    """How the packs stand, as far as it is known."""
    return [words for words in (_volts(line, at), use.state_words(line.use, line.side_names, at)) if words]


def _energy(found: dict[str, Any], t_s: float) -> list[Line]:
    if found["energy"] == use.NO_ENERGY:
        return []
    text = f"energy used: {found['energy']}"
    used = found["use"]
    if used["distance_km"] is not None:
        text += f"; {used['distance_km']:.1f} km"
    if used["energy_wh_per_km"] is not None:
        text += f", {used['energy_wh_per_km']:.0f} Wh for each"
    return [Line(t_s, text)]


def _volts(line: Timeline, at: int) -> str:
    sides = []
    for side, name in enumerate(line.side_names):
        known = [f"{s.cell_v[at]:.2f}" for s in line.sections if s.side == side and np.isfinite(s.cell_v[at])]
        if known:
            sides.append(f"{name} {' and '.join(known)}")
    return f"{', '.join(sides)} V a cell" if sides else ""


def _driving(line: Timeline) -> list[Line]:
    status = line.status
    interval_s = line.interval_s()
    lines = []
    for first, last in line.stretches(status["state"] == states.DRIVING, _BRIEF_REST_S):
        demand = status["demand_pm"][first : last + 1]
        took = clock(float(line.t_s[last] - line.t_s[first]))
        most, mean = _percent(int(demand.max())), _percent(int(demand.mean()))
        text = f"driving for {took}: demand up to {most}, {mean} on average"
        text += use.driven_words(line.use, first, last, interval_s)
        lines.append(Line(float(line.t_s[first]), text))
    return lines


def _refusal(r: dict[str, Any]) -> Line:
    return Line(r["t_s"], f"arming refused: {r['words']}")


def _arming(line: Timeline) -> list[Line]:
    """READY reached from LOCKED, and LOCKED reached again."""
    lines = []
    state = states.LOCKED
    for t, event, a, _ in events_of(line, states.EVENT_STATE, states.EVENT_BOOT):
        if event == states.EVENT_BOOT:
            if t > 0:
                lines.append(Line(t, f"the box starts anew: {states.words(states.RESETS, a)}"))
            a = states.LOCKED
        elif a == states.READY and state != states.DRIVING:
            lines.append(Line(t, "armed: READY, the lever now gives thrust"))
        elif a == states.LOCKED:
            lines.append(Line(t, "LOCKED: idle pulses only"))
        elif a in (states.BENCH, states.SERVICE):
            lines.append(Line(t, f"{states.name(states.STATES, a)}: {states.words(states.STATES, a)}"))
        state = a
    return lines


def _stop(s: dict[str, Any]) -> Line:
    text = f"HELD: {s['words']}"
    if s["was_turning"]:
        text += f" at {_percent(s['demand_pm'])} demand"
        if s["idle_within_s"] is None:
            text += "; NO RECORD shows idle pulses afterwards"
        else:
            text += f"; idle pulses {s['idle_within_s']:.2f} s later at most (first record that shows them)"
    if s["way_out"]:
        text += f"; to clear: {s['way_out']}"
    return Line(s["t_s"], text)


def _warning(line: Timeline, w: dict[str, Any]) -> Line:
    if w["section"] and w["cell_mv"] is not None and w["name"] in ("LOW", "VERY_LOW"):
        row = {"LOW": "cell_warn_mv", "VERY_LOW": "cell_low_mv"}[w["name"]]
        limit_v = line.settings.get(row) / 1000
        words = w["name"].lower().replace("_", " ")
        near = ", or when cutback is near" if w["name"] == "LOW" else ""
        text = (
            f"{w['section']} {words}: {w['cell_mv'] / 1000:.2f} V a cell at {_percent(w['demand_pm'])} demand "
            f"(warns below {limit_v:.2f} V at rest{near})"
        )
    else:
        text = f"warning: {w['words']}"
    if w["times"] > 1:
        text += f"; {w['times']} times until {clock(w['last_s'])}"
    return Line(w["first_s"], text)


def _cutback(c: dict[str, Any]) -> list[Line]:
    low = c["lowest"]
    where = f"{low['side']}, {low['section']}" if low else "a section"
    begin = f"cutback begins at {_percent(c['demand_pm'])} demand, to spare {where}"
    took = clock(c["last_s"] - c["first_s"])
    end = f"cutback ends after {took}" if c["over"] else f"cutback still in force after {took}"
    if low:
        end += f": {where} went down to {low['cell_mv'] / 1000:.2f} V a cell at {_percent(low['demand_pm'])} demand"
    if c["limit_pm_least"] is not None:
        end += f"; thrust was limited to {_percent(c['limit_pm_least'])} at the least"
    return [Line(c["first_s"], begin), Line(c["last_s"], end)]


def _fault(f: dict[str, Any]) -> list[Line]:
    text = f"{f['side']}, {f['point']} (input {f['input']}): {f['words']}; a sensing fault, not a low pack"
    if f["still_read"]:
        text += f" ({', '.join(f['still_read'])})"
    if f["limit_pm"] is not None:
        text += f"; thrust capped at {_percent(f['limit_pm'])}"
    lines = [Line(f["t_s"], text)]
    if f["cleared_s"] is not None:
        lines.append(
            Line(f["cleared_s"], f"{f['side']}, {f['point']} (input {f['input']}): reads believably again")
        )
    return lines


def _gaps(found: dict[str, Any]) -> list[Line]:
    return [Line(g["t_s"], f"no records for {g['length_s']:.1f} s") for g in found["gaps"]]


def _late(line: Timeline) -> list[Line]:
    """Overruns; those that follow each other within seconds are one line."""
    lines: list[Line] = []
    group: list[tuple[float, int, int, int]] = []
    for one in [*events_of(line, states.EVENT_OVERRUN), None]:
        if group and (one is None or one[0] - group[-1][0] > _BRIEF_S):
            worst = max(a for _, _, a, _ in group)
            text = (
                f"the control step came late {len(group)} times, {worst} ms after the one before at the worst"
            )
            if len(group) == 1:
                text = f"the control step came {worst} ms after the one before"
            lines.append(Line(group[0][0], text))
            group = []
        if one:
            group.append(one)
    return lines


def _rest_ofevents_of(line: Timeline) -> list[Line]:
    lines = []
    for t, event, a, b in events_of(line, states.EVENT_SETTINGS, states.EVENT_ERROR):
        if event == states.EVENT_SETTINGS:
            lines.append(Line(t, "settings were written"))
        else:
            lines.append(Line(t, f"an error inside the box (place {a}, number {b})"))
    return lines
