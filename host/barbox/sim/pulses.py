"""What one ESC machine of the pulse output does, frame by frame instead of cycle by cycle."""

from collections import deque

FIFO_WORDS = 4
PERIOD_US = 20_000
REPEATS = 3
FIRST_PULL_US = 19_998  # after the frame clock starts, less the number of the machine in its block
RISE_AFTER_PULL_US = 10
WORD_OFFSET_US = 2  # a pulse is this much wider than its word says
WORD_MAX = PERIOD_US - 100  # a pulse beyond this would run into its next frame


class EscPulse:
    """One ESC machine, 1 to 3 of its block, with the frame clock started at `clock_start_us`.

    It has the edges that the assembled programs have under a cycle-exact interpreter of the PIO, to the
    microsecond. Times are integer microseconds of virtual time and never go back: ValueError otherwise. An
    edge at t is the level from t on; what is put at t is seen by a pull at t or later.
    """

    def __init__(self, clock_start_us: int, machine: int = 1) -> None:
        if not 1 <= machine <= 3:
            raise ValueError(f"an ESC machine is 1 to 3 of its block, not {machine}")
        self._now_us = clock_start_us
        self._pull_us = clock_start_us + FIRST_PULL_US + machine  # the next frame's
        self._fifo: deque[int] = deque()
        self._width_us = 0
        self._repeats = 0
        self._pulses: deque[tuple[int, int]] = deque()  # made, not yet handed out
        self._running = True

    def put(self, t_us: int, word: int) -> bool:
        """Queue `word` (width less 2, 0 to 19,900); False when four wait, where the board would block.

        Raises ValueError for a word outside the range.
        """
        if not 0 <= word <= WORD_MAX:
            raise ValueError(f"pulse word {word} is not within 0 to {WORD_MAX}")
        self._advance(t_us)
        if len(self._fifo) == FIFO_WORDS:
            return False
        self._fifo.append(word)
        return True

    def fifo_level(self, t_us: int) -> int:
        """Words waiting, 0 to 4, as `tx_fifo()` reads them at `t_us`."""
        self._advance(t_us)
        return len(self._fifo)

    def next_pull_us(self, t_us: int) -> int:
        """When the machine next looks for a word: a put that found no room fits in just after it."""
        self._advance(t_us)
        return self._pull_us

    def pulses_until(self, t_us: int) -> list[tuple[int, int]]:
        """(rise_us, width_us) of the pulses that ended by `t_us` and were not handed out before."""
        self._advance(t_us)
        ended = []
        while self._pulses and sum(self._pulses[0]) <= t_us:
            ended.append(self._pulses.popleft())
        return ended

    def stop(self, t_us: int) -> None:
        """Halt with the pin low: a pulse under way is cut at `t_us`, waiting words are forgotten."""
        self._advance(t_us)
        self._running = False
        self._fifo.clear()
        self._repeats = 0
        if self._pulses and sum(self._pulses[-1]) > t_us:
            rise_us, _ = self._pulses.pop()
            if rise_us < t_us:
                self._pulses.append((rise_us, t_us - rise_us))

    def _advance(self, t_us: int) -> None:
        if t_us < self._now_us:
            raise ValueError(f"time goes back from {self._now_us} to {t_us} us")
        self._now_us = t_us
        while self._pull_us < t_us:
            if self._fifo and self._running:
                self._width_us = self._fifo.popleft() + WORD_OFFSET_US
                self._repeats = REPEATS
            elif self._repeats:
                self._repeats -= 1
            else:  # silent from here to t_us, however far
                self._pull_us += -((self._pull_us - t_us) // PERIOD_US) * PERIOD_US
                return
            self._pulses.append((self._pull_us + RISE_AFTER_PULL_US, self._width_us))
            self._pull_us += PERIOD_US
