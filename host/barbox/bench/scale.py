"""A scale on a serial port that prints numbers, a line for each; silence and a zero that moved are noticed."""

from __future__ import annotations

import re
from collections import deque
from dataclasses import dataclass
from math import hypot, sqrt
from statistics import fmean, stdev
from threading import Event, Lock, Thread
from time import monotonic
from typing import NamedTuple

from barbox.bench.units import THRUST_N, shown_step, unit_named
from barbox.errors import UserError

SILENT_S = 2.0
"""A scale that has said nothing for this long is silent (they print some times a second; common practice)."""

_ROPE = 0.0015
_LONGEST_LINE = 200
_KEPT = 1000
# A comma counts as a decimal sign only where nothing but one number can be meant: "1,12.5" is two numbers.
_NUMBER = re.compile(r"([-+]?)\s*(\d+(?:\.\d+|,\d+(?![.\d]))?)(?:\s*([A-Za-z]+))?")


class Number(NamedTuple):
    """A number of a line. `unit` None: none that is known follows it; `word`: what follows it, "" for nothing; `step`:
    the display's, in the same unit, where the decimals show it."""

    value: float
    unit: str | None
    word: str
    step: float | None


def last_number(line: str) -> Number | None:
    """The last number of a line, None without one."""
    found = list(_NUMBER.finditer(line))
    if not found:
        return None
    sign, digits, word = found[-1].groups()
    value = float(digits.replace(",", ".")) * (-1 if sign == "-" else 1)
    return Number(value, unit_named(word, THRUST_N) if word else None, word or "", shown_step(digits))


@dataclass(frozen=True)
class Mean:
    """A mean over a while, in N; `sd_n` of single lines, 0 for one line; `step_n`: the display's, by the decimals."""

    thrust_n: float
    sd_n: float
    lines: int
    step_n: float | None = None

    @property
    def u_n(self) -> float:
        """Standard deviation of the mean."""
        return self.sd_n / sqrt(self.lines)


class _Line(NamedTuple):
    at_s: float
    thrust_n: float
    step_n: float | None
    odd: str  # a word behind the number that is no unit


class ScaleLines:
    """What a scale has printed. `unit` is what its numbers are in where a line does not say."""

    def __init__(self, unit: str) -> None:
        self.unit = unit
        self._rest = ""
        self._seen: deque[_Line] = deque(maxlen=_KEPT)
        self.heard_s: float | None = None

    def feed(self, data: bytes, now_s: float) -> None:
        """Bytes from the port, with the time they came (any steady clock). Lines without a number are let pass."""
        text = self._rest + data.decode("ascii", "replace")
        *lines, self._rest = re.split(r"[\r\n]+", text)
        self._rest = self._rest[-_LONGEST_LINE:]
        for line in lines:
            number = last_number(line[-_LONGEST_LINE:])
            if number:
                newtons = THRUST_N[number.unit or self.unit]
                step_n = None if number.step is None else number.step * newtons
                odd = "" if number.unit else number.word
                self._seen.append(_Line(now_s, number.value * newtons, step_n, odd))
                self.heard_s = now_s

    def mean(self, since_s: float, now_s: float, until_s: float | None = None) -> Mean:
        """The mean since then, or up to `until_s`. Up to now, a scale that prints seldom is taken by its last line.

        Raises UserError, one sentence, when the scale is silent or prints a unit that is not known: a wrong guess would
        be a wrong curve.
        """
        if self.heard_s is None or now_s - self.heard_s > SILENT_S:
            ago = "has not printed a number yet"
            if self.heard_s is not None:
                ago = f"has been silent for {now_s - self.heard_s:.0f} s"
            raise UserError(f"the scale {ago}: look at its cable, whether it has switched itself off, and that it "
                            f"prints every {SILENT_S:g} s or sooner, then repeat the step")
        lines = [line for line in self._seen if since_s <= line.at_s <= (now_s if until_s is None else until_s)]
        if not lines and until_s is None:
            lines = [self._seen[-1]]  # not silent, so it is not old
        if not lines:
            raise UserError("the scale printed nothing during the step: repeat it, and hold it longer")
        if odd := next((line.odd for line in lines if line.odd), ""):
            raise UserError(f'the scale prints "{odd}" behind its numbers, a unit that is not known here: set it to '
                            f"print one of {', '.join(THRUST_N)}, or numbers alone, and repeat the step")
        values = [line.thrust_n for line in lines]
        step_n = min([line.step_n for line in lines if line.step_n is not None], default=None)
        return Mean(fmean(values), stdev(values) if len(values) > 1 else 0.0, len(values), step_n)


def zero_moved(before_n: float, after_n: float, step_n: float, least_thrust_n: float) -> str:
    """What to say about the scale's zero before and after a step; "" while it is of no consequence.

    It is when it moved by more than three display steps and by more than 2 % of the thrust that was read between.
    """
    moved = abs(after_n - before_n)
    if moved <= max(3.0 * step_n, 0.02 * abs(least_thrust_n)):
        return ""
    return (
        f"the scale stood at {before_n:.2f} N before the step and at {after_n:.2f} N after it: it drifts, or the "
        "rope rubs; set it to zero and repeat the step"
    )


def net(seen: Mean, before: Mean, after: Mean, step_n: float, full_n: float) -> float:
    """Thrust in N: what was seen in a step less the zero before and after it, never below 0. `full_n`: of the fan at
    full pulse; a thousandth or two of it is what a rope gives and takes (common practice, no source).

    Raises UserError, one sentence, where the zero moved, and where the scale was pushed: thrust below 0 by more than
    three display steps, or the noise of three means, is no noise.
    """
    step_n = max(step_n, hypot(before.u_n, after.u_n), _ROPE * full_n)
    if moved := zero_moved(before.thrust_n, after.thrust_n, step_n, seen.thrust_n):
        raise UserError(moved)
    thrust_n = seen.thrust_n - (before.thrust_n + after.thrust_n) / 2
    if thrust_n < -3.0 * step_n:
        raise UserError(f"the scale's lines make a thrust of {thrust_n:.2f} N, below 0: turn the scale, or the pull, "
                        "round, and repeat the step")
    return max(thrust_n, 0.0)


class ScalePort:
    """A scale on a serial port, read in a thread. `with ScalePort(path, unit) as scale: scale.mean(...)`.

    Raises UserError when the port cannot be opened. A port that goes away later is a silent scale.
    """

    def __init__(self, path: str, unit: str, baud: int = 9600) -> None:
        self.path = path
        self._baud = baud
        self._lines = ScaleLines(unit)
        self._lock = Lock()
        self._end = Event()
        self._thread: Thread | None = None

    def __enter__(self) -> ScalePort:
        import serial

        try:
            self._port = serial.Serial(self.path, self._baud, timeout=0.1)
        except (serial.SerialException, ValueError) as error:
            raise UserError(f"{self.path}: the scale's port cannot be opened ({error}); look at its name and "
                            "cable") from None
        self._thread = Thread(target=self._read, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._end.set()
        if self._thread:
            self._thread.join(1.0)
        self._port.close()

    def mean(self, since_s: float, until_s: float | None = None) -> Mean:
        """The mean between two moments of `time.monotonic`. Raises UserError when the scale is silent."""
        with self._lock:
            return self._lines.mean(since_s, monotonic(), until_s)

    def _read(self) -> None:
        while not self._end.is_set():
            try:
                data = self._port.read(max(1, self._port.in_waiting))
            except OSError:
                return
            with self._lock:
                self._lines.feed(data, monotonic())
