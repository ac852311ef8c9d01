"""Low-voltage cutback: ease thrust so that no section is dragged below its floor, without hunting.

Three zones of the weakest cell mean above the knee (floor plus one band). Below the knee the limit comes down,
faster the deeper. Just above it the limit rests. Higher up it comes back, slowly and in proportion, and rising
demand is slowed in proportion too, so that the string's own resistance, which turns thrust into voltage at
once, cannot carry the voltage through the knee in one go. The loop has an integrator and about a fifth of a
second of lag, so what matters is that its gain falls to nothing at the knee.
"""

import micropython
from micropython import const

from shared_proto.messages import NOT_KNOWN_MV

FULL = 1000000  # demand in millionths: a 20 ms step of the slowest ramp is still a whole number

_REST_MV = const(15)  # above the knee, the limit neither falls nor rises
_RECOVER = const(30)  # per mille a second, at the most
_APPROACH_BANDS = const(4)  # rising demand is slowed from this far above the knee


class Cutback:
    """`limit`, in millionths of full; `rise_pm`, the share of the ramp that rising demand may use."""

    def __init__(self):
        self.limit = FULL
        self.rise_pm = 1000
        self._knee_mv = 1
        self._band_mv = 1

    def configure(self, values):
        self._band_mv = values.get("cutback_band_mv")
        self._knee_mv = values.get("cell_floor_mv") + self._band_mv
        self.limit = FULL
        self.rise_pm = 1000

    @micropython.native
    def update(self, cell_mv, given, dt_us):
        """One step. `cell_mv`: the weakest cell mean, NOT_KNOWN_MV keeps what was; `given`: demand now, millionths."""
        if cell_mv == NOT_KNOWN_MV:
            return
        band = self._band_mv
        over_mv = cell_mv - self._knee_mv
        if over_mv < 0:
            self.rise_pm = 0
            if given == 0:
                return  # at rest there is nothing to ease
            if self.limit > given:
                self.limit = given  # begin where we are, not at what the lever might ask
            deficit_mv = -over_mv if over_mv > -2 * band else 2 * band
            self.limit -= dt_us * deficit_mv // band  # one band below the knee: the full span in a second
            if self.limit < 0:
                self.limit = 0
            return
        room_mv = over_mv - _REST_MV
        if room_mv <= 0:
            self.rise_pm = 0
            return
        rise_pm = 1000 * room_mv // (_APPROACH_BANDS * band)
        self.rise_pm = rise_pm if rise_pm < 1000 else 1000
        if self.limit < FULL:
            give = _RECOVER if room_mv >= band else _RECOVER * room_mv // band
            self.limit += dt_us * give // 1000
            if self.limit > FULL:
                self.limit = FULL
