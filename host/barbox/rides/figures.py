"""The figures of a ride: times by state, refusals, warnings, cutbacks, sensing faults, stops, gaps."""

from __future__ import annotations

from typing import Any

import numpy as np

from barbox.rides import use
from barbox.rides.timeline import Ride, Section, Timeline, timeline
from shared_proto import states
from shared_proto.messages import SENSES_MAX
from shared_proto.settings import KINDS, POINT

_BRIEF_S = 5.0  # a warning or cutback that comes back sooner is the same one
_REACTION_S = 5.0  # how long to look for idle pulses after a stop
_BEFORE_S = 0.5  # a stop is told with the demand just before it


def summary(ride: Ride) -> dict[str, Any]:
    """The figures of a ride, for JSON: times in s from the first record, voltages in mV a cell, demand in per mille,
    energy where a current is known.
    """
    return summarise(timeline(ride))


def summarise(line: Timeline) -> dict[str, Any]:
    """`summary` of a timeline."""
    status = line.status
    if not len(status):
        return {"duration_s": 0.0, "records": 0}
    interval_s = line.interval_s()
    demand = status["demand_pm"]
    most = int(np.argmax(demand))
    turning = demand > 0
    return {
        "duration_s": _r(line.duration_s),
        "records": len(status),
        "events": len(line.events),
        "states_s": _times(status["state"], interval_s, states.STATES),
        "limits_s": _times(status["limit"], interval_s, states.LIMITS),
        "largest_demand": {"pm": int(demand[most]), "t_s": _r(line.t_s[most])},
        "mean_demand_pm": round(float(np.average(demand[turning], weights=interval_s[turning])), 1)
        if interval_s[turning].sum() > 0
        else 0.0,
        "driven_s": _r(interval_s[turning].sum()),
        "energy": use.energy_words(line.use, line.side_names, interval_s),
        "use": use.figures(line.use, line.side_names, interval_s),
        "arming_refused": _refusals(line),
        "warnings": _warnings(line),
        "cutbacks": _cutbacks(line),
        "sense_faults": _faults(line),
        "stops": _stops(line),
        "sections": [_section(line, s) for s in line.sections],
        "lowest_cell": _low(line, 0, len(status) - 1),
        "gaps": [
            {"t_s": _r(line.t_s[i]), "length_s": _r(line.t_s[i + 1] - line.t_s[i])}
            for i in line.gap_at.tolist()
        ],
        "records_missed": line.missed,
        "restarts": line.restarts,
        "overruns": _growth(status["overruns"]),
        "events_lost": _growth(status["events_lost"]),
        "late_us_max": int(status["late_us"].max()),
        "step_us_max": int(status["step_us"].max()),
    }


def _r(seconds: Any) -> float:
    return round(float(seconds), 3)


def _times(numbers: np.ndarray, interval_s: np.ndarray, table: Any) -> dict[str, float]:
    spent = np.bincount(numbers, weights=interval_s)
    return {states.name(table, n): _r(s) for n, s in enumerate(spent.tolist()) if s > 0}


def _growth(counter: np.ndarray) -> int:
    """How much a counter since the box's start has grown, counting on where a restart set it back."""
    steps = np.diff(counter.astype(np.int64))
    steps[steps < 0] = counter[1:][steps < 0]
    return int(steps.sum())


def events_of(line: Timeline, *which: int) -> list[tuple[float, int, int, int]]:
    """(t_s, event, a, b) of some kinds of event."""
    mask = np.isin(line.events["event"], which)
    e = line.events[mask]
    return list(
        zip(line.event_t_s[mask].tolist(), e["event"].tolist(), e["a"].tolist(), e["b"].tolist(), strict=True)
    )


def _low(line: Timeline, first: int, last: int) -> dict[str, Any] | None:
    low = line.lowest(first, last)
    if low is None:
        return None
    section, cell_v, at = low
    return {
        "side": section.side_name,
        "section": section.name,
        "cell_mv": round(1000 * cell_v),
        "t_s": _r(line.t_s[at]),
        "demand_pm": int(line.status["demand_pm"][at]),
    }


def _section(line: Timeline, section: Section) -> dict[str, Any]:
    known = np.flatnonzero(np.isfinite(section.cell_v))
    figures: dict[str, Any] = {"side": section.side_name, "section": section.name, "cells": section.cells}
    for name, pick in (("first", known[:1]), ("last", known[-1:])):
        figures[f"{name}_cell_mv"] = round(1000 * float(section.cell_v[pick[0]])) if len(pick) else None
    figures["lowest_cell_mv"] = round(1000 * float(np.nanmin(section.cell_v))) if len(known) else None
    return figures


def _refusals(line: Timeline) -> list[dict[str, Any]]:
    return [
        {"t_s": _r(t), "waits": states.name(states.WAITS, a), "words": states.words(states.WAITS, a)}
        for t, _, a, _ in events_of(line, states.EVENT_ARM_REFUSED)
    ]


def _warnings(line: Timeline) -> list[dict[str, Any]]:
    """One entry a warning: when it first and last stood, how long in all, and what it was about at first."""
    found = []
    interval_s = line.interval_s()
    began = events_of(line, states.EVENT_WARNING_ON)
    for n, (name, words) in enumerate(states.WARNINGS):
        on = (line.status["warnings"] >> n & 1).astype(bool)
        told = [(t, b) for t, _, a, b in began if a == n]
        if not on.any() and not told:
            continue
        seen = line.t_s[on].tolist() + [t for t, _ in told]
        about = line.section_of(told[0][1]) if told else None
        first_s = min(seen)
        found.append(
            {
                "name": name,
                "words": words,
                "first_s": _r(first_s),
                "last_s": _r(max(seen)),
                "total_s": _r(interval_s[on].sum()),
                "times": max(len(line.stretches(on, _BRIEF_S)), 1),
                "section": about.label if about else None,
            }
            | _figures(line, about, first_s)
        )
    return found


def _figures(line: Timeline, section: Section | None, t_s: float) -> dict[str, Any]:
    at = line.at(t_s)
    cell_v = section.cell_v[at] if section else np.nan
    return {
        "cell_mv": round(1000 * float(cell_v)) if np.isfinite(cell_v) else None,
        "demand_pm": int(line.status["demand_pm"][at]),
    }


def _cutbacks(line: Timeline) -> list[dict[str, Any]]:
    on = (line.status["warnings"] & states.WARN_CUTBACK) != 0
    found = []
    for first, last in line.stretches(on, _BRIEF_S):
        held = line.status["limit"][first : last + 1] == states.LIMIT_CUTBACK
        found.append(
            {
                "first_s": _r(line.t_s[first]),
                "last_s": _r(line.t_s[last]),
                "over": last + 1 < len(line.status),
                "limit_pm_least": int(line.status["limit_pm"][first : last + 1][held].min())
                if held.any()
                else None,
                "demand_pm": int(line.status["demand_pm"][first]),
                "lowest": _low(line, first, last),
            }
        )
    return found


def _faults(line: Timeline) -> list[dict[str, Any]]:
    """Faults of sense points, from the records; where events tell the moment, theirs."""
    found = []
    told = events_of(line, states.EVENT_SENSE)
    for n in range(SENSES_MAX):
        side, cells = line.settings.get("sense.side", n), line.settings.get("sense.cells", n)
        fault = line.status["sense_fault"][:, n]
        if not 0 < side <= len(line.side_names):
            continue
        side_name = line.side_names[side - 1]
        kind = line.settings.get("sense.kind", n)
        top = cells == line.settings.get("side.cells", side - 1)
        point = ("top" if top else f"tap at {cells} cells") if kind == POINT else KINDS[kind]
        for first, last in line.stretches(fault != states.SENSE_OK):
            t_s, cleared_s = float(line.t_s[first]), None
            before_s = line.t_s[first - 1] if first else -1.0
            moments = [t for t, _, a, b in told if a == n + 1 and b and before_s <= t <= t_s]
            if last + 1 < len(line.t_s):
                cleared_s = _r(line.t_s[last + 1])
            found.append(
                {
                    "t_s": _r(moments[0] if moments else t_s),
                    "cleared_s": cleared_s,
                    "side": side_name,
                    "point": point,
                    "input": n + 1,
                    "fault": states.name(states.SENSE_FAULTS, int(fault[first])),
                    "words": states.words(states.SENSE_FAULTS, int(fault[first])),
                    "demand_pm": int(line.status["demand_pm"][first]),
                    "limit_pm": int(line.status["limit_pm"][first])
                    if line.status["limit"][first] == states.LIMIT_SENSE
                    else None,
                    "still_read": _still_read(line, side - 1, first),
                }
            )
    return sorted(found, key=lambda f: (f["t_s"], f["input"]))


def _still_read(line: Timeline, side: int, at: int) -> list[str]:
    """What a side with a fault still tells, in words."""
    return [
        f"the {'cells around it' if s.merged[at] else s.name} still read {s.cell_v[at]:.2f} V a cell"
        for s in line.sections
        if s.side == side and np.isfinite(s.cell_v[at])
    ]


def _stops(line: Timeline) -> list[dict[str, Any]]:
    """Every way into HELD. `idle_within_s`: until the first record with all pulses at idle, so at most that."""
    found = []
    idle = line.idle()
    for t, _, a, b in events_of(line, states.EVENT_STATE):
        if a != states.HELD:
            continue
        window = (line.t_s >= t - _BEFORE_S) & (line.t_s < t)
        after = np.flatnonzero((line.t_s >= t) & (line.t_s <= t + _REACTION_S) & idle)
        name, words, way_out = states.CAUSES[b] if b < len(states.CAUSES) else (f"#{b}", "a newer cause", "")
        found.append(
            {
                "t_s": _r(t),
                "cause": name,
                "words": words,
                "way_out": way_out,
                "demand_pm": int(line.status["demand_pm"][window].max()) if window.any() else 0,
                "was_turning": bool((~idle[window]).any()),
                "idle_within_s": _r(line.t_s[after[0]] - t) if len(after) else None,
            }
        )
    return found
