"""What the simulated board shows and sounds: the pixels of its display, and its buzzer."""

from __future__ import annotations

import numpy as np

WIDTH, HEIGHT = 128, 64
_MODE = 255  # the group that tells the display's mode, see hal/_display.py
_ON, _INVERSE, _ALL = 1, 2, 4
_KEPT = 10_000  # changes of sound


class Panel:
    """Fed with what the VM tells; `screen` and `sound` are what a rider sees and hears.

    `sound`: (frequency in Hz, whether it sounds). `sounds`: (time in us, frequency in Hz) of each change, with 0
    for silence.
    """

    def __init__(self) -> None:
        self.sounds: list[tuple[int, int]] = []
        self._frequency = 0
        self._memory = bytearray(WIDTH * HEIGHT // 8)
        self._mode = 0
        self.changes = 0  # groups of eight bytes that the VM has told

    def power_off(self, t_us: int) -> None:
        self.blank()
        self._sound(t_us, 0)

    def blank(self) -> None:
        """The display has lost its supply."""
        self._memory = bytearray(WIDTH * HEIGHT // 8)
        self._mode = 0

    def display(self, group: int, value: int) -> None:
        if group == _MODE:
            self._mode = value
        else:
            self.changes += 1
            self._memory[8 * group : 8 * group + 8] = (value & 0xFFFFFFFFFFFFFFFF).to_bytes(8, "little")

    def pwm(self, t_us: int, frequency: int, duty: int) -> None:
        self._sound(t_us, frequency if 0 < duty < 0xFFFF else 0)

    def _sound(self, t_us: int, frequency: int) -> None:
        if frequency != self._frequency:
            self._frequency = frequency
            self.sounds.append((t_us, frequency))
            if len(self.sounds) > _KEPT:
                del self.sounds[: _KEPT // 2]

    @property
    def sound(self) -> tuple[int, bool]:
        return self._frequency, self._frequency > 0

    def screen(self) -> np.ndarray:
        """Pixels, (64, 128) of bool, lit or dark; all dark while the display is off."""
        if not self._mode & _ON:
            return np.zeros((HEIGHT, WIDTH), bool)
        if self._mode & _ALL:
            return np.ones((HEIGHT, WIDTH), bool)
        pages = np.frombuffer(self._memory, np.uint8).reshape(HEIGHT // 8, 1, WIDTH)
        bits = np.unpackbits(pages, axis=1, bitorder="little").reshape(HEIGHT, WIDTH)
        return bits.astype(bool) ^ bool(self._mode & _INVERSE)
