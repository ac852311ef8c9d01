"""How long an ESC holds its last command once its pulses are withheld, from the recovery of its string's voltage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from barbox.bench.session import Step
from shared_proto import states
from shared_proto.messages import NOT_KNOWN_MV

_LAST_PULSE_S = 0.05
"""From the event to the last pulse: the word of the frame before it is repeated three times (drivers/pulse.py)."""
_LAST_PULSE_WITHIN_S = 0.01
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
    known = [(s.time_ms / 1000, s.sense_mv[top], s.bench_phase) for s in step.under if s.sense_mv[top] != NOT_KNOWN_MV]
    loaded = [mv for t, mv, phase in known if phase == states.BENCH_RUNNING and t > step.withheld_ms / 1000 - 1.0]
    after = [(t, mv) for t, mv, phase in known if phase == states.BENCH_WITHHELD]
    rest_mv = step.before.sense_mv[top]
    if len(loaded) < 3 or len(after) < 2 or rest_mv == NOT_KNOWN_MV:
        return None
    loaded_mv = float(np.mean(loaded))
    sag_mv = rest_mv - loaded_mv
    if sag_mv < max(_LEAST_SAG_MV, _SIGMAS * float(np.std(loaded))):
        return None
    times = np.array([t for t, _ in after])
    last_pulse_s = step.withheld_ms / 1000 + _LAST_PULSE_S
    # One step up, at the place where two levels fit best; both levels are known well enough beforehand.
    up = np.array([mv - loaded_mv > sag_mv / 2 for _, mv in after])
    misfits = [np.sum(up[:n]) + np.sum(~up[n:]) for n in range(len(up) + 1)]
    first = int(np.argmin(misfits))
    interval_s = float(np.max(np.diff(times)))
    if first == len(up):
        return Hold(max(0.0, float(times[-1]) - last_pulse_s), _LAST_PULSE_WITHIN_S + _SENSE_S, at_least=True)
    earliest_s = float(times[first - 1]) if first else step.withheld_ms / 1000
    between_s = (earliest_s + float(times[first])) / 2 - _SENSE_S / 2 - last_pulse_s
    return Hold(max(0.0, between_s), interval_s / 2 + _LAST_PULSE_WITHIN_S + _SENSE_S / 2)
