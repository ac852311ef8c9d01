"""A simulated board in real time, for a person: it keeps pace with the wall clock and listens to keys or lines."""

from __future__ import annotations

import contextlib
import os
import select
import sys
import time
from collections.abc import Callable, Iterator

from barbox import fold
from barbox.errors import UserError
from barbox.sim import hands
from barbox.sim.board import SimBoard

_SLICE_S = 0.005  # of virtual time between two looks at the keys
_SHOWN_S = 0.25
_BEHIND_S = 0.5  # a wall clock that ran away this far (a suspended laptop) is not caught up with

KEYS = (
    ("up, down", "lever by 5 %"),
    ("0", "lever to rest"),
    ("a", "press the arm button; again: release it"),
    ("s", "open the stop loop; again: close it"),
    (":", "type one of the lines below, then Enter"),
    ("q", "quit"),
)


def words() -> str:
    """What can be done, for `--help` and the start."""
    return "\n".join(fold.labelled([*KEYS, *((h.usage, h.help) for h in hands.HANDS.values())]))


class Live:
    """Runs `box` until `q`, Ctrl-C or the end of `for_s`. `tell(line)` prints a line for the person."""

    def __init__(self, box: SimBoard, script: list[tuple[float, str]], tell: Callable[[str], None]) -> None:
        self.box = box
        self.path = box.port.path
        self.on_new_path: Callable[[str], None] = lambda path: None
        self._script = list(script)
        self._tell = tell
        self._typed = ""
        self._typing = False
        self._keys = ""
        self._done = False
        self._hears = True

    def run(self, for_s: float | None) -> None:
        """Raises BoxError when the board hangs."""
        box = self.box
        box.keep_pace(True)
        began_s, wall_s = box.now_s, time.monotonic()
        shown_s = -1.0
        with _single_keys() as keys:
            while not self._done:
                box.advance(_SLICE_S)
                t_s = box.now_s - began_s
                if for_s is not None and t_s >= for_s:
                    return
                while self._script and self._script[0][0] <= t_s:
                    self._line(self._script.pop(0)[1])
                if box.port.path and box.port.path != self.path:
                    self.path = box.port.path
                    self.on_new_path(self.path)
                if keys and t_s - shown_s >= _SHOWN_S and not self._typing:
                    shown_s = t_s
                    print(f"\r\x1b[K{self.line()}", end="", flush=True)
                ahead_s = wall_s + t_s - time.monotonic()
                if ahead_s < -_BEHIND_S:
                    wall_s -= ahead_s
                self._listen(max(0.0, ahead_s), keys)

    def line(self) -> str:
        """How things stand in the plant, on one row of the terminal: less of it on a narrow one."""
        return fold.first_fitting(self._line_of(True, True), self._line_of(False, True), self._line_of(False, False))

    def _line_of(self, pulses: bool, volts: bool) -> str:
        box = self.box
        parts = [
            f"{box.now_s:6.1f} s",
            f"lever {box.wiring.lever.position_pm / 10:3.0f} %",
            f"stop {'closed' if box.wiring.stop_closed else 'OPEN'}",
            f"arm {'down' if box.wiring.button else 'up'}",
        ]
        for n, side in enumerate(box.plant.spec.sides):
            pulse = box.last_pulse_us(n)
            pulse_us = f" {pulse or '-':>4} us" if pulses else ""
            string_v = f" {box.string_voltage_v(n):.1f} V" if volts else ""
            parts.append(f"{side.name}{pulse_us} {box.thrust_n(n):2.0f} N{string_v}")
        return "  ".join(parts)

    def _listen(self, seconds: float, keys: bool) -> None:
        if not self._hears:
            time.sleep(seconds)
            return
        if not select.select([sys.stdin], [], [], seconds)[0]:
            return
        data = os.read(sys.stdin.fileno(), 1024).decode("utf-8", "replace")
        if not data:
            self._hears = False  # end of the input: go on without
        elif keys:
            self._press(data)
        else:
            *lines, self._typed = (self._typed + data).split("\n")
            for line in lines:
                if line.strip() == "q":
                    self._done = True
                    return
                self._line(line)

    def _press(self, data: str) -> None:
        wiring, box = self.box.wiring, self.box
        self._keys += data
        while self._keys:
            if self._keys[:3] in ("\x1b[A", "\x1b[B"):
                step = 50 if self._keys[2] == "A" else -50
                box.move_lever(min(1000, max(0, wiring.lever.position_pm + step)))
                self._keys = self._keys[3:]
                continue
            if self._keys in ("\x1b", "\x1b["):
                return  # the rest of an arrow key is on its way
            key, self._keys = self._keys[0], self._keys[1:]
            if self._typing:
                self._type(key)
            elif key == "0":
                box.move_lever(0)
            elif key == "a":
                box.release_arm_button() if wiring.button else box.press_arm_button()
            elif key == "s":
                box.open_stop_loop() if wiring.stop_closed else box.close_stop_loop()
            elif key == ":":
                self._typing, self._typed = True, ""
                print("\r\x1b[K: ", end="", flush=True)
            elif key == "?":
                self._tell(words())
            elif key in ("q", "\x04"):
                self._done = True

    def _type(self, key: str) -> None:
        if key in "\r\n":
            self._typing = False
            print("\r\x1b[K", end="")
            self._line(self._typed)
        elif key in "\x7f\b":
            self._typed = self._typed[:-1]
            print("\b \b", end="", flush=True)
        else:
            self._typed += key
            print(key, end="", flush=True)

    def _line(self, line: str) -> None:
        try:
            hands.do(self.box, line)
        except UserError as error:
            self._tell(str(error))
        else:
            if line.strip():
                self._tell(f"{self.box.now_s:.1f} s  {line.strip()}")


@contextlib.contextmanager
def _single_keys() -> Iterator[bool]:
    """Keys one by one while inside; False when the input is not a terminal (lines then)."""
    if not sys.stdin.isatty():
        yield False
        return
    import termios
    import tty

    before = termios.tcgetattr(sys.stdin)
    try:
        tty.setcbreak(sys.stdin)
        yield True
    finally:
        termios.tcsetattr(sys.stdin, termios.TCSADRAIN, before)
        print()
