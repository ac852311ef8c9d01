"""Did the protections do what they should? From the pulses and the plant, not from what the box says of itself,
wherever that is possible."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from barbox.demo import scenario
from barbox.demo.truth import Truth
from barbox.sim.board import LEFT, RIGHT, SimBoard
from shared_proto import states
from shared_proto.settings import Values

STOP_LIMIT_MS = 25.0  # stop loop opened to the end of the last pulse above idle: one frame and a pulse
SENSE_LIMIT_S = 0.2
FLOOR_SLACK_V = 0.05
FLOOR_SLACK_S = 0.5


@dataclass(frozen=True)
class Check:
    """`held` with what was `measured`, in words."""

    what: str
    held: bool
    measured: str


def check(box: SimBoard, values: Values, found: dict[str, Any], truth: Truth, began_s: float) -> list[Check]:
    """All checks. `found` is the summary of the ride, `began_s` when the recording began, in box time."""
    return [
        *_arming(box, values, found, began_s),
        _fuse_told(found),
        _fuse_not_low(found),
        *_low_before_cutback(found),
        _floor(values, truth),
        _together(box),
        _stop(box, values, began_s),
        _complete(found),
    ]


def as_dicts(checks: list[Check]) -> list[dict[str, Any]]:
    return [asdict(c) for c in checks]


def _arming(box: SimBoard, values: Values, found: dict[str, Any], began_s: float) -> list[Check]:
    refused = [r for r in found["arming_refused"] if r["t_s"] < scenario.ARMED_BY_S]
    before_us = (began_s + scenario.ARMED_BY_S) * 1e6
    above = [
        width
        for side in (LEFT, RIGHT)
        for rise, width in box.pulses(side)
        if rise < before_us and width > values.get("side.idle_us", side)
    ]
    return [
        Check(
            "an arming without the stop loop tried was refused, with the reason",
            [r["waits"] for r in refused] == [states.name(states.WAITS, states.WAIT_STOP_TEST)],
            ", ".join(f"{r['t_s']:.1f} s {r['waits']}" for r in refused) or "no refusal",
        ),
        Check("no pulse above idle before the lever moved", not above, f"{len(above)} pulses above idle"),
    ]


def _fuse(found: dict[str, Any]) -> dict[str, Any] | None:
    faults = [f for f in found["sense_faults"] if f["input"] == scenario.BLOWN_INPUT]
    return faults[0] if faults else None


def _fuse_told(found: dict[str, Any]) -> Check:
    fault = _fuse(found)
    late_s = fault["t_s"] - scenario.BLOWN_S if fault else 0.0
    opened = states.name(states.SENSE_FAULTS, states.SENSE_OPEN)
    return Check(
        f"the blown sense fuse was told as such within {1000 * SENSE_LIMIT_S:.0f} ms",
        fault is not None and fault["fault"] == opened and 0 <= late_s <= SENSE_LIMIT_S,
        f"{fault['fault']} after {1000 * late_s:.0f} ms" if fault else "not told",
    )


def _fuse_not_low(found: dict[str, Any]) -> Check:
    low = [
        w
        for w in found["warnings"]
        if w["name"] in ("LOW", "VERY_LOW", "CUTBACK")
        and scenario.BLOWN_S <= w["first_s"] <= scenario.MENDED_S + 2
    ]
    return Check("and not taken for a low pack", not low, f"{len(low)} low warnings meanwhile")


def _low_before_cutback(found: dict[str, Any]) -> list[Check]:
    low = [w for w in found["warnings"] if w["name"] == "LOW"]
    cut = found["cutbacks"]
    in_order = bool(low and cut) and low[0]["first_s"] < cut[0]["first_s"]
    return [
        Check(
            "the weak section brought a warning first, cutback later",
            in_order,
            f"LOW at {low[0]['first_s']:.0f} s, cutback at {cut[0]['first_s']:.0f} s" if low and cut else "missing",
        ),
        Check(
            "and it was named: right, lower section",
            bool(low) and low[0]["section"] == scenario.WEAK,
            str(low[0]["section"]) if low else "missing",
        ),
    ]


def _floor(values: Values, truth: Truth) -> Check:
    floor_v = values.get("cell_floor_mv") / 1000
    below_s = truth.longest_below(floor_v - FLOOR_SLACK_V)
    lowest_v = min(truth.lowest_v)
    return Check(
        f"no section was dragged below its floor by more than 50 mV a cell for more than {FLOOR_SLACK_S} s",
        below_s <= FLOOR_SLACK_S,
        f"lowest {lowest_v:.3f} V a cell, floor {floor_v:.2f} V, {below_s:.1f} s below the slack",
    )


def _together(box: SimBoard) -> Check:
    left, right = box.pulses(LEFT), box.pulses(RIGHT)
    apart = max((abs(a[1] - b[1]) for a, b in zip(left, right, strict=False)), default=0)
    return Check("both sides were eased together", apart == 0, f"pulses at most {apart} us apart")


def _stop(box: SimBoard, values: Values, began_s: float) -> Check:
    opened_us = (began_s + scenario.STOP_S) * 1e6
    ends = [
        rise + width
        for side in (LEFT, RIGHT)
        for rise, width in box.pulses(side)
        if rise + width > opened_us and width > values.get("side.idle_us", side)
    ]
    before = [w for rise, w in box.pulses(LEFT) if opened_us - 50_000 < rise < opened_us]
    late_ms = (max(ends) - opened_us) / 1000 if ends else 0.0
    return Check(
        f"the stop loop ended thrust within {STOP_LIMIT_MS:.0f} ms, and for good",
        late_ms <= STOP_LIMIT_MS and bool(before) and max(before) > values.get("side.idle_us", LEFT),
        f"last pulse above idle ended {late_ms:.1f} ms after it opened",
    )


def _complete(found: dict[str, Any]) -> Check:
    missing = found["records_missed"] + found["events_lost"] + len(found["gaps"])
    return Check(
        "nothing was lost and no step was late",
        missing == 0 and found["overruns"] == 0,
        f"{missing} records or events missing, {found['overruns']} overruns",
    )
