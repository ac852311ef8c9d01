"""What the rider hears. Silent in LOCKED, READY and DRIVING while all is well.

Of several that are due, the most urgent comes first and the others wait for their turn: held, cutback, a sense
fault, a side that does not pull, very low, low, refused, armed. A pattern once begun is played to its end, a
second and a half at most.
"""

import asyncio

from shared_proto.states import (
    DRIVING,
    HELD,
    LOCKED,
    READY,
    WAIT_BUTTON,
    WARN_CUTBACK,
    WARN_LOW,
    WARN_SENSE,
    WARN_SIDE,
    WARN_VERY_LOW,
)

# The most urgent first: (what, (frequency in Hz, ms) ..., again after so many ms while it lasts, 0 for once).
# Pitches around 2.7 kHz, where small passive buzzers are loudest (common practice, no source).
PATTERNS = (
    ("HELD", ((2700, 500), (0, 120), (2000, 700)), 5000),
    ("CUTBACK", ((3100, 120), (2700, 120), (2300, 120), (2000, 300)), 0),
    ("SENSE", ((2700, 80), (2000, 80), (2700, 80), (2000, 80), (2700, 80), (2000, 80)), 0),
    ("SIDE", ((2000, 250), (0, 80), (2700, 80), (0, 80), (2700, 80)), 0),
    ("VERY_LOW", ((2700, 100), (0, 80), (2700, 100), (0, 80), (2700, 100), (0, 80), (2700, 100)), 10000),
    ("LOW", ((2700, 150), (0, 120), (2700, 150)), 30000),
    ("REFUSED", ((2000, 350),), 0),
    ("ARMED", ((2000, 90), (2700, 180)), 0),
)
_HELD, _CUTBACK, _SENSE, _SIDE, _VERY_LOW, _LOW, _REFUSED, _ARMED = range(len(PATTERNS))

_HEARD = WARN_CUTBACK | WARN_SENSE | WARN_SIDE | WARN_VERY_LOW | WARN_LOW

_EVERY_MS = 200
_EVERY_LOCKED_MS = 100  # so that a short press that is refused is seen
_LATEST_MS = 3000  # what could not be played by then is news no more
_NEVER = -1
_TIME_MASK = 0x3FFFFFFF


class Sounds:
    """Plays on `sounder` (an object with a coroutine `play`) what `controller` gives reason for."""

    def __init__(self, controller, sounder):
        self._controller = controller
        self._sounder = sounder
        self._lasts = [False] * len(PATTERNS)
        self._since_ms = [_NEVER] * len(PATTERNS)  # when each became due
        self._next_ms = [0] * len(PATTERNS)  # when each is due again
        self._state = LOCKED
        self._pressed = True
        self._quiet = False  # nothing lasts and nothing waits

    async def run(self):
        """Never returns."""
        controller = self._controller
        while True:
            what = self.due(controller.now_ms)
            if what == _NEVER:
                await asyncio.sleep_ms(_EVERY_LOCKED_MS if self._state == LOCKED else _EVERY_MS)
            else:
                await self._sounder.play(PATTERNS[what][1])

    def afresh(self):
        """Nothing to forget: the sounder falls silent by itself, and what lasts is due again."""

    def due(self, now_ms):
        """Row of PATTERNS to play now, -1 for none."""
        c = self._controller
        state = c.interlock.state
        bits = c.outputs.warnings & _HEARD
        if bits == 0 and self._quiet and state == self._state and state != LOCKED:
            return _NEVER
        very_low = bits & WARN_VERY_LOW
        self._while(_HELD, state == HELD, now_ms)
        self._while(_CUTBACK, bits & WARN_CUTBACK and state == DRIVING, now_ms)
        self._while(_SENSE, bits & WARN_SENSE, now_ms)
        self._while(_SIDE, bits & WARN_SIDE, now_ms)
        self._while(_VERY_LOW, very_low, now_ms)
        self._while(_LOW, bits & WARN_LOW and not very_low, now_ms)
        pressed = c.inputs.button
        if pressed and not self._pressed and state == self._state == LOCKED and c.interlock.waits != WAIT_BUTTON:
            self._since_ms[_REFUSED] = now_ms
        if (state == READY or state == DRIVING) and self._state == LOCKED:
            self._since_ms[_ARMED] = now_ms
        self._pressed = pressed
        self._state = state
        self._quiet = bits == 0 and state != HELD
        for what in range(len(PATTERNS)):
            since_ms = self._since_ms[what]
            if since_ms != _NEVER:
                self._since_ms[what] = _NEVER
                self._quiet = False
                if (now_ms - since_ms) & _TIME_MASK <= _LATEST_MS:
                    return what
        return _NEVER

    def _while(self, what, lasts, now_ms):
        """Due when it begins and, if it repeats, again and again while it lasts."""
        lasts = bool(lasts)
        again_ms = PATTERNS[what][2]
        begins = lasts and not self._lasts[what]
        if begins or (lasts and again_ms and (now_ms - self._next_ms[what]) & _TIME_MASK < _TIME_MASK >> 1):
            self._since_ms[what] = now_ms
            self._next_ms[what] = (now_ms + again_ms) & _TIME_MASK
        self._lasts[what] = lasts
