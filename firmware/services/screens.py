"""What the rider sees, by state; drawn only where it changed, four times a second at most.

LOCKED (and whatever has no screen of its own): the state, what arming waits for, each string's volts and the mean
of its lowest cells. READY and DRIVING: for each side the mean of its lowest cells, large, and below it the string's
volts, with a mark at the weakest; between the sides a bar of what is given, with the limit as a notch; then the
limit in force (but for the ramp, which is no news), and across the bottom the state, or whatever is wrong, in turn.
BENCH: the side, how far the run is, what to do, and the seconds left of it.
HELD: why, and what leads out of it.
"""

import asyncio
from array import array

from services.canvas import PAGES, WIDTH, Canvas, wrapped
from services.screen_words import about, in_turn, name, quiet, warning_words, way_out
from shared_proto.messages import NOT_KNOWN_MV, SIDES_MAX
from shared_proto.states import (
    BENCH,
    BENCH_IDLE,
    BENCH_PHASES,
    BENCH_RUNNING,
    CAUSES,
    DRIVING,
    HELD,
    HELD_END,
    LIMIT_NONE,
    LIMIT_RAMP,
    LIMITS,
    LOCKED,
    READY,
    RESET_WATCHDOG,
    RESETS,
    STATES,
    WAIT_NOTHING,
    WAITS,
    WARN_CUTBACK,
    WARN_LAST_STOP,
    WARN_LOW,
    WARN_VERY_LOW,
)

_EVERY_MS = 250
_NUMBERS_EVERY = 2  # rounds: figures that change twice a second can be read
_TURN_ROUNDS = 4  # each of several warnings is shown for a second
_WEAK = WARN_LOW | WARN_VERY_LOW | WARN_CUTBACK

_LIT = 0xFF
_HALF = 66  # where the right half begins while LOCKED
# Where the figures of each side begin, and the bar between them: up to two sides, large, or more.
_LARGE = (0, 72)
_BAR = 58
_BAR_WIDTH = 12
_SMALLER = (0, 30, 70, 100)
_SMALLER_BAR = 60
_SMALLER_BAR_WIDTH = 8
_BAR_PIXELS = 34  # inside its frame

# Slots of what is shown, so that only what changed is drawn.
_TITLE, _SMALL, _FOOT, _PERCENT, _GIVEN, _GIVEN_LIMIT, _UNIT = range(7)
_CELL = 7
_WEAKER = _CELL + SIDES_MAX
_VOLTS = _WEAKER + SIDES_MAX
_SLOTS = _VOLTS + SIDES_MAX
_NOTHING = -2  # a slot that shows nothing


class Screens:
    """Shows what `controller` holds on `display` (an object with `buffer` and a coroutine `show`)."""

    def __init__(self, controller, display):
        self._controller = controller
        self._display = display
        self._canvas = Canvas(display.buffer)
        self._shown = array("i", [_NOTHING] * _SLOTS)
        self._screen = None
        self._sides = 0
        self._round = 0
        self._volts_mv = array("i", [-1] * SIDES_MAX)
        self._cell_mv = array("i", [-1] * SIDES_MAX)
        self._weak_side = -1
        self._figures = True  # whether it is their turn in this round

    async def run(self):
        """Never returns."""
        while True:
            self.draw()
            await self._display.show()
            await asyncio.sleep_ms(_EVERY_MS)

    async def new_idle(self, name, before_us, now_us):
        """A side's idle has changed: shown before its first pulse, and until something else is drawn."""
        canvas = self._canvas
        canvas.fill(0, 0, WIDTH, PAGES)
        canvas.centred("NEW IDLE", 0, 2, 2, _LIT)
        canvas.centred(name.decode(), 2, 1, 2)
        canvas.centred("%d > %d us" % (before_us, now_us), 4, 1, 2)
        canvas.centred("fan may turn now", 7)
        await self._display.show()

    def afresh(self):
        """Forget what is shown: the next `run` begins with an empty buffer."""
        self._screen = None

    def draw(self):
        """Draw into the buffer what has changed since the last call."""
        c = self._controller
        state = c.interlock.state
        if state == HELD:
            screen = self._held
        elif state == READY or state == DRIVING:
            screen = self._ride
        elif state == BENCH:
            screen = self._bench
        else:
            screen = self._locked
        if screen != self._screen or c.sides != self._sides:
            self._screen = screen
            self._sides = c.sides
            for slot in range(_SLOTS):
                self._shown[slot] = _NOTHING
            self._canvas.fill(0, 0, WIDTH, PAGES)
            self._round = 0
        self._figures = self._round % _NUMBERS_EVERY == 0
        if self._figures:
            self._measure(c)
        screen(c)
        self._round = (self._round + 1) & 0x3FF

    # -- screens ------------------------------------------------------------------------------------------------

    def _locked(self, c):
        canvas = self._canvas
        state = c.interlock.state
        warning = in_turn(c.outputs.warnings, True, self._round // _TURN_ROUNDS)
        which = about(c, warning)
        if self._changed(_TITLE, which << 20 | state << 16 | warning):
            words = warning_words(warning, which) if warning else STATES[state][0]
            canvas.centred(words, 0, 2 if len(words) <= 8 else 1, 2, _LIT)
        waits = c.interlock.waits
        last_stop = c.warnings.last_stop if warning == WARN_LAST_STOP else 0
        if self._changed(_SMALL, last_stop << 16 | state << 8 | waits):
            if last_stop:
                words = CAUSES[last_stop & 0x7F][1] if last_stop & 0x7F else RESETS[RESET_WATCHDOG][1]
            elif state == LOCKED and waits != WAIT_NOTHING:
                words = WAITS[waits][2] or WAITS[waits][1]
            else:
                words = STATES[state][1]
            canvas.fill(0, 2, WIDTH, 4)
            self._paragraph(words, 2, 4)
        wide = c.sides <= 2
        if c.sides == 2:
            canvas.frame.vline(_HALF - 3, 50, 13, 1)
        for side in range(c.sides):
            x = (_HALF if wide else 33) * side
            self._volts(side, x, 6, 2 if wide else 1)
            was = self._shown[_CELL + side]
            if self._new_figure(_CELL + side, self._cell_mv[side], 10):
                if wide:
                    canvas.text("cell", x + 29, 6)
                canvas.number(self._shown[_CELL + side], was, 2, x + 31 if wide else x, 7)

    def _bench(self, c):
        canvas = self._canvas
        bench = c.bench
        phase = bench.phase
        side = bench.side if phase > BENCH_IDLE else 0
        runs = phase >= BENCH_RUNNING
        if self._changed(_TITLE, phase << 3 | side):
            canvas.centred(BENCH_PHASES[phase][0], 0, 2, 2, _LIT)
            canvas.fill(0, 2, WIDTH, PAGES - 2)
            words = BENCH_PHASES[phase][2]
            if phase > BENCH_IDLE:
                words = "side %d: %s" % (side, words) if side else "all: " + words
            self._paragraph(words, 2, 4)
            if runs:
                canvas.glyph("%", 48, 6, 2, 2)
            canvas.text("s", 112, 6, 1, 2)
            self._shown[_PERCENT] = self._shown[_SMALL] = _NOTHING
        was = self._shown[_PERCENT]
        if runs and self._changed(_PERCENT, c.outputs.demand_pm // 10):
            canvas.number(self._shown[_PERCENT], was, 0, 0, 6, 2, 2)
        was = self._shown[_SMALL]
        if self._changed(_SMALL, bench.left_ms() // 1000):
            canvas.number(self._shown[_SMALL], was, 0, 84, 6, 1, 2)

    def _ride(self, c):
        canvas = self._canvas
        out = c.outputs
        large = c.sides <= 2
        for side in range(c.sides):
            x = _LARGE[side] if large else _SMALLER[side]
            was = self._shown[_CELL + side]
            new = self._new_figure(_CELL + side, self._cell_mv[side], 10)
            if new:
                canvas.number(self._shown[_CELL + side], was, 2, x, 0, 2 if large else 1, 3)
            weak = 1 if out.warnings & _WEAK and side == self._weak_side else 0
            if self._changed(_WEAKER + side, weak) or new:
                if large:
                    self._arrow(x + 43, 26, weak)
                else:
                    canvas.frame.fill_rect(x, 22, 27, 2, weak)
            self._volts(side, x, 3, 2)
        if large and self._changed(_UNIT, 0):
            for side in range(c.sides):
                canvas.text("V", _LARGE[side] + 32, 3, 1, 2)
        self._bar(large, out.demand_pm, out.limit_pm)
        warning = in_turn(out.warnings, False, self._round // _TURN_ROUNDS)
        state = c.interlock.state
        self._line(out, state, warning)
        which = about(c, warning)
        if self._changed(_FOOT, which << 20 | state << 16 | warning):
            self._shown[_PERCENT] = _NOTHING
            if warning:
                words = warning_words(warning, which)
                canvas.centred(words, 6, 2 if len(words) <= 8 else 1, 2, _LIT)
            else:
                canvas.fill(0, 6, WIDTH, 2)
                canvas.text(STATES[state][0], 0, 6, 1, 2)
                canvas.glyph("%", 112, 6, 2, 2)
        was = self._shown[_PERCENT]
        if self._figures and not warning and self._changed(_PERCENT, out.demand_pm // 10):
            canvas.number(out.demand_pm // 10, was, 0, 64, 6, 2, 2)

    def _held(self, c):
        cause = c.interlock.cause
        what_to_do = way_out(c, cause, self._round // _TURN_ROUNDS)
        if not self._changed(_TITLE, cause << 1 | (what_to_do == HELD_END)):
            return
        canvas = self._canvas
        canvas.centred(STATES[HELD][0], 0, 2, 2, _LIT)
        canvas.fill(0, 2, WIDTH, PAGES - 2)
        why = wrapped(CAUSES[cause][1])
        out = wrapped(what_to_do)
        tall = 2 if len(why) + 2 * len(out) <= PAGES - 2 else 1
        page = 2
        for line in why:
            canvas.text(line, 0, page)
            page += 1
        page = PAGES - tall * len(out)
        for line in out:
            canvas.centred(line, page, 1, tall, _LIT)
            page += tall

    # -- parts of screens -----------------------------------------------------------------------------------------

    def _paragraph(self, words, page, pages):
        """`words` in tall letters when they fit into so many pages, else in plain ones."""
        lines = wrapped(words)
        tall = 2 if 2 * len(lines) <= pages else 1
        for line in lines[: pages // tall]:
            self._canvas.text(line, 0, page, 1, tall)
            page += tall

    def _line(self, out, state, warning):
        """Small, below the figures: the limit in force, else the state where a warning took its place, else what
        has no hurry."""
        limit = out.limit if out.limit != LIMIT_RAMP else LIMIT_NONE
        small = quiet(out.warnings)
        percent = out.limit_pm // 10
        key = limit << 8 | percent
        if not limit:
            key = 0x10000 | state if warning else 0x20000 | small
        if not self._changed(_SMALL, key):
            return
        self._canvas.fill(0, 5, WIDTH, 1)
        if limit:
            words = "%d%% %s" % (percent, LIMITS[limit][0].replace("_", " "))
        else:
            words = STATES[state][0] if warning else name(small)
        self._canvas.text(words, 0, 5)

    def _volts(self, side, x, page, tall):
        """Volts of a string, to a tenth below 100 V."""
        was = self._shown[_VOLTS + side]
        if not self._new_figure(_VOLTS + side, self._volts_mv[side], 100):
            return
        shown = self._shown[_VOLTS + side]
        if shown < 1000:
            self._canvas.number(shown, was if was < 1000 else _NOTHING, 1, x, page, 1, tall)
        else:
            self._canvas.fill(x, page, 28, tall)
            self._canvas.number(shown // 10, _NOTHING, 0, x + 2, page, 1, tall)

    def _arrow(self, x, y, lit):
        """An arrow up to the figure of the weakest cells, 13 pixels wide and high."""
        frame = self._canvas.frame
        for row in range(7):
            frame.hline(x + 6 - row, y + row, 1 + 2 * row, lit)
        frame.fill_rect(x + 4, y + 7, 5, 6, lit)

    def _bar(self, large, given_pm, limit_pm):
        given = given_pm * _BAR_PIXELS // 1000
        limit = limit_pm * _BAR_PIXELS // 1000
        new = self._changed(_GIVEN, given)
        if not self._changed(_GIVEN_LIMIT, limit) and not new:
            return
        frame = self._canvas.frame
        x, width = (_BAR, _BAR_WIDTH) if large else (_SMALLER_BAR, _SMALLER_BAR_WIDTH)
        frame.fill_rect(x - 1, 0, width + 2, _BAR_PIXELS + 4, 0)
        frame.rect(x, 0, width, _BAR_PIXELS + 4, 1)
        frame.fill_rect(x + 2, 2 + _BAR_PIXELS - given, width - 4, given, 1)
        if limit < _BAR_PIXELS:
            frame.fill_rect(x - 1, 1 + _BAR_PIXELS - limit, width + 2, 2, 1)

    # -- what there is to show --------------------------------------------------------------------------------------

    def _measure(self, c):
        """Volts at the top of each string and the mean of its lowest cells, -1 where not known."""
        sense = c.sense
        section = c.strings.section_mv
        self._weak_side = -1
        for side in range(c.sides):
            volts = cell = -1
            below = 0
            for i in range(sense.first[side], sense.first[side + 1]):
                n = sense.order[i]
                volts = sense.mv[n]
                if volts == NOT_KNOWN_MV:
                    volts = -1
                    continue
                cells = sense.cells[n] - below
                if cells > 0:
                    mean = section[n] // cells
                    if cell < 0 or mean < cell:
                        cell = mean
                below = sense.cells[n]
                if n == c.strings.weakest:
                    self._weak_side = side
            # Across the packs: where their negative is sensed, what the heavy lead drops is no part of it.
            self._volts_mv[side] = volts - sense.negative_mv[side] if volts >= 0 else -1
            self._cell_mv[side] = cell

    def _changed(self, slot, value):
        """Whether `value` is not what the slot shows; it does from now on."""
        if self._shown[slot] == value:
            return False
        self._shown[slot] = value
        return True

    def _new_figure(self, slot, mv, step_mv):
        """The same for a voltage in steps: a figure stays until the voltage is clear of it, so noise cannot
        make it flicker."""
        shown = self._shown[slot]
        if mv < 0:
            return self._changed(slot, -1)
        if shown >= 0 and abs(mv - shown * step_mv) <= step_mv * 3 // 4:
            return False
        return self._changed(slot, (mv + step_mv // 2) // step_mv)
