"""Words that survive a reset by the watchdog, but not the power: scratch registers of the chip's watchdog.

RP2040 data sheet, chapter "Watchdog": SCRATCH0 at 0x4005800c; 4 to 7 belong to the boot code.
"""

import machine

_SCRATCH0 = 0x4005800C
_SCRATCH1 = 0x40058010
_SCRATCH2 = 0x40058014
_LEARNED = 1 << 28  # marks words of the estimators, which have 28 bits
_MARK = 0x2B  # tells a word of ours from what else may stand there; the whole word stays a small integer


class Scratch:
    def note(self, state, cause, silent=-1):
        """Keep what the box is doing, and the part that has fallen silent (from 0), -1 none."""
        machine.mem32[_SCRATCH0] = _MARK << 24 | state + 1 << 16 | cause << 8 | silent + 1

    def take(self):
        """(256 * (state + 1) + cause, silent part or -1) as it was noted last; (0, -1) for nothing. Forgets it."""
        word = machine.mem32[_SCRATCH0]
        machine.mem32[_SCRATCH0] = 0
        if word >> 24 != _MARK:
            return 0, -1
        return word >> 8 & 0xFFFF, (word & 0xFF) - 1

    def keep(self, first, second):
        """Keep two words of 28 bits: what the estimators know of the ride."""
        machine.mem32[_SCRATCH1] = _LEARNED | first
        machine.mem32[_SCRATCH2] = _LEARNED | second

    def kept(self):
        """The two words, () for none. Forgets them."""
        first = machine.mem32[_SCRATCH1]
        second = machine.mem32[_SCRATCH2]
        machine.mem32[_SCRATCH1] = machine.mem32[_SCRATCH2] = 0
        if first >> 28 != 1 or second >> 28 != 1:
            return ()
        return first - _LEARNED, second - _LEARNED
