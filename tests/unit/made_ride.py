"""A made-up ride of the example trike for the tests of account and picture: 12 minutes at 10 Hz.

Armed at 0:20 after a refusal at 0:12; laps from 0:30; the right upper section runs down: low from about 5:10,
cutback from about 7:00 to 9:00; the left tap's fuse blows at 9:30 for 20 s; the stop loop opens at 11:00.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from barbox import proto
from barbox.rig import read
from barbox.rig.template import example_text
from barbox.settings_text import as_json, slots
from shared_proto import messages, states

WARN = {name: 1 << n for n, (name, _) in enumerate(states.WARNINGS)}


@dataclass
class MadeRide:
    status: Any
    events: Any
    header: dict[str, Any]


def settings() -> dict[str, Any]:
    values = read(example_text().encode()).settings()
    return {slot.name: as_json(slot.of(values)) for slot in slots()}


def ride(seconds: float = 720.0, hz: int = 10) -> MadeRide:
    n = int(seconds * hz)
    s = np.zeros(n, proto.dtype(messages.STATUS))
    t = np.arange(n) / hz
    s["kind"] = messages.STATUS.kind
    s["time_ms"] = 5000 + 1000 * t
    s["state"] = np.select([t < 20, t < 30, t < 660, t < 680], [0, 1, 2, 3], 0)
    s["cause"] = np.where(s["state"] == states.HELD, states.CAUSE_STOP_OPEN, 0)
    s["waits"] = np.where(t < 20, states.WAIT_STOP_TEST, 0)
    driving = s["state"] == states.DRIVING
    lever = np.where(driving, 550 + 300 * np.sin(2 * np.pi * t / 70) + 120 * np.sin(2 * np.pi * t / 19), 0)
    s["lever_pm"] = np.clip(lever, 0, 1000)
    s["limit_pm"] = np.where(driving, 1000, 0)
    cut = (t >= 420) & (t < 540)
    s["limit_pm"][cut] = 420 + 40 * np.sin(2 * np.pi * t[cut] / 20)
    lost = (t >= 570) & (t < 590)
    s["limit_pm"][lost] = 300
    s["demand_pm"] = np.minimum(s["lever_pm"], s["limit_pm"])
    eased = s["demand_pm"] < s["lever_pm"]
    s["limit"] = np.select([~driving, eased & cut, eased & lost], [1, 3, 4], 0)
    pulse = 1000 + 1000 * np.sqrt(s["demand_pm"] / 1000.0)
    s["pulse_us"][:] = 1000
    s["pulse_us"][:, 0] = s["pulse_us"][:, 1] = pulse
    s["pulse_us"][~driving] = 1000
    used = np.cumsum(s["demand_pm"]) / hz / 1000  # seconds of full demand

    def section(start_v: float, per_s: float, sag_v: float) -> Any:
        return 5000 * (start_v - per_s * used - sag_v * (s["demand_pm"] / 1000.0) ** 1.5)

    cells = [(4.15, 0.0012, 0.15), (4.16, 0.0012, 0.15), (4.14, 0.0013, 0.16), (4.12, 0.0019, 0.3)]
    mv = [section(*one) for one in cells]
    s["sense_mv"][:] = s["section_mv"][:] = messages.NOT_KNOWN_MV
    for at, (low, high) in ((0, mv[:2]), (4, mv[2:])):
        s["sense_mv"][:, at], s["sense_mv"][:, at + 1] = low, low + high
        s["section_mv"][:, at], s["section_mv"][:, at + 1] = low, high
    s["sense_mv"][lost, 0] = s["section_mv"][lost, 0] = messages.NOT_KNOWN_MV
    s["section_mv"][lost, 1] = s["sense_mv"][lost, 1]
    s["sense_fault"][lost, 0] = states.SENSE_OPEN
    s["weakest"] = 6
    s["weakest_cell_mv"] = mv[3] / 5 - 20
    s["warnings"] = WARN["UNCALIBRATED"]
    s["warnings"][t >= 310] |= WARN["LOW"]
    s["warnings"][cut] |= WARN["CUTBACK"]
    s["warnings"][lost] |= WARN["SENSE"]
    for name in ("current_da", "rest_cell_mv", "charge_pm", "minutes_left"):
        s[name] = messages.NOT_KNOWN_MV
    s["inputs"] = np.where((t >= 660) & (t < 670), 0, 1)
    s["late_us"], s["step_us"] = 150, 1400

    rows = [
        (17000, states.EVENT_ARM_REFUSED, states.WAIT_LEVER_REST, 0),
        (25000, states.EVENT_STATE, states.READY, 0),
        (35000, states.EVENT_STATE, states.DRIVING, 0),
        (315000, states.EVENT_WARNING_ON, 0, 6),
        (425000, states.EVENT_WARNING_ON, 2, 6),
        (545000, states.EVENT_WARNING_OFF, 2, 6),
        (574960, states.EVENT_SENSE, 1, states.SENSE_OPEN),
        (594980, states.EVENT_SENSE, 1, states.SENSE_OK),
        (664980, states.EVENT_STATE, states.HELD, states.CAUSE_STOP_OPEN),
        (685000, states.EVENT_STATE, states.LOCKED, 0),
    ]
    rows = [r for r in rows if r[0] < 5000 + 1000 * seconds]
    e = np.zeros(len(rows), proto.dtype(messages.EVENT))
    e["kind"] = messages.EVENT.kind
    for at, row in enumerate(rows):
        e["time_ms"][at], e["event"][at], e["a"][at], e["b"][at] = row
    # One running number for both, in the order of time.
    order = np.argsort(np.concatenate((s["time_ms"], e["time_ms"])), kind="stable")
    number = np.empty(len(order), int)
    number[order] = np.arange(len(order)) + 65000
    s["number"], e["number"] = number[:n] % 65536, number[n:] % 65536
    return MadeRide(s, e, {"settings": settings()})
