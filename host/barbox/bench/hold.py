"""How long an ESC runs on after its pulses end, or after a stop, from the recovery of its string's voltage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from barbox.bench.session import Step
from barbox.records import Status
from shared_proto import states
from shared_proto.messages import NOT_KNOWN_MV

_LAST_PULSE_S = 0.05
"""From the event to the last pulse: the word of the frame before it is repeated three times (drivers/pulse.py)."""
_LAST_PULSE_WITHIN_S = 0.01
_FRAME_S = 0.02
_SENSE_S = 0.06
"""A voltage in a status is at most this old: sense inputs take turns."""
_LEAST_SAG_MV = 15.0
_SIGMAS = 4.0


@dataclass(frozen=True)
class Hold:
    """`seconds` from the last pulse until the string's voltage came back, +/- `within_s`. With `at_least` it had not
    come back when the step ended: the ESC holds for longer, perhaps for ever."""

    seconds: float
    within_s: float
    at_least: bool = False


def held(step: Step, top: int) -> Hold | None:
    """Of a step that withheld pulses; `top` is the sense input (from 0) at the top of the side's string.

    None when the sag is too small against the noise to tell, or pulses were not withheld long enough: watch and
    listen, then.
    """
    if step.withheld_ms is None:
        return None
    known = _known(step.under, top)
    loaded = [mv for t, mv, phase in known if phase == states.BENCH_RUNNING and t > step.withheld_ms / 1000 - 1.0]
    after = [(t, mv) for t, mv, phase in known if phase == states.BENCH_WITHHELD]
    begin_s = step.withheld_ms / 1000
    return _back(step.before.sense_mv[top], loaded, after, begin_s, begin_s + _LAST_PULSE_S, _LAST_PULSE_WITHIN_S)


def stopped(step: Step, after: list[Status], top: int) -> Hold | None:
    """The same for a thrust step that a protective stop has ended: `seconds` from the box's stop to no more current.

    `after`: statuses from then on. The box sees a stop loop that opens within a frame, 20 ms.
    """
    if step.held_ms is None:
        return None
    held_s = step.held_ms / 1000
    loaded = [mv for t, mv, _ in _known(step.steady, top) if held_s - 1.0 < t <= held_s]
    then = [(t, mv) for t, mv, _ in _known(after, top) if t > held_s]
    return _back(step.before.sense_mv[top], loaded, then, held_s, held_s, _FRAME_S)


def _known(statuses: list[Status], top: int) -> list[tuple[float, int, int]]:
    return [(s.time_ms / 1000, s.sense_mv[top], s.bench_phase) for s in statuses if s.sense_mv[top] != NOT_KNOWN_MV]


def _back(
    rest_mv: int, loaded: list[int], after: list[tuple[float, int]], begin_s: float, end_s: float, within_s: float
) -> Hold | None:
    """When a voltage came back to where it was: `begin_s` is the first moment at which it can have done so, `end_s`
    what the time is counted from."""
    if len(loaded) < 3 or len(after) < 2 or rest_mv == NOT_KNOWN_MV:
        return None
    loaded_mv = float(np.mean(loaded))
    sag_mv = rest_mv - loaded_mv
    if sag_mv < max(_LEAST_SAG_MV, _SIGMAS * float(np.std(loaded))):
        return None
    times = np.array([t for t, _ in after])
    # One step up, at the place where two levels fit best; both levels are known well enough beforehand.
    up = np.array([mv - loaded_mv > sag_mv / 2 for _, mv in after])
    misfits = [np.sum(up[:n]) + np.sum(~up[n:]) for n in range(len(up) + 1)]
    first = int(np.argmin(misfits))
    interval_s = float(np.max(np.diff(times)))
    if first == len(up):
        return Hold(max(0.0, float(times[-1]) - end_s), within_s + _SENSE_S, at_least=True)
    earliest_s = float(times[first - 1]) if first else begin_s
    between_s = (earliest_s + float(times[first])) / 2 - _SENSE_S / 2 - end_s
    return Hold(max(0.0, between_s), interval_s / 2 + within_s + _SENSE_S / 2)
