"""Between the plant and the box: dividers, ADC inputs, lever, contacts, and what can go wrong with each wire."""

from __future__ import annotations

import random
from dataclasses import dataclass

from shared_proto.messages import SENSES_MAX
from shared_proto.settings import Values

_SUPPLY_UV = 3_300_000
_CHIP_COUNT_NV = 3_300_000_000 / 65_536  # one 16-bit code of the chip's own ADC


@dataclass
class SenseWire:
    """One sense input: which point of which side, its divider, and its ADC input's errors."""

    side: int
    section: int  # index of the section whose top it senses
    ratio: float  # true divider ratio
    gain: float = 1.0  # of the ADC input
    offset_uv: float = 0.0
    cut: bool = False  # fuse blown or wire broken: the lower resistor pulls the pin to ground
    shorted_to: int | None = None  # touches the wire of that input


@dataclass
class Lever:
    """Position in per mille of its travel, its two tracks, and their faults (mV at the pin instead)."""

    position_pm: float = 0.0
    a_fault_mv: float | None = None
    b_fault_mv: float | None = None


class Wiring:
    """What the pins carry. `errors=True` draws each part within its tolerance from `seed`."""

    def __init__(self, values: Values, board, seed: int, errors: bool = True) -> None:
        get = values.get
        rng = random.Random(seed)
        self.board = board
        self.chip = board.SENSE == "chip"
        self.lever = Lever()
        self.stop_closed = True
        self.button = False
        self.parts_absent = 0
        self.bus_stuck = False
        self.noise_uv = 150.0 if not self.chip else 600.0
        self._rest = (get("lever_a_rest_mv"), get("lever_b_rest_mv"))
        self._span = (get("lever_a_full_mv") - self._rest[0], get("lever_b_full_mv") - self._rest[1])
        count_nv = _CHIP_COUNT_NV if self.chip else 125_000
        self.wires: list[SenseWire | None] = []
        for n in range(SENSES_MAX):
            side, cells = get("sense.side", n), get("sense.cells", n)
            if not side or not cells:
                self.wires.append(None)
                continue
            below = [get("sense.cells", m) for m in range(SENSES_MAX) if get("sense.side", m) == side]
            ratio = get("sense.nv_per_count", n) / count_nv
            wire = SenseWire(side - 1, sorted(below).index(cells), ratio)
            if errors:
                # 1 % resistors and the data sheet's typical figures of the ADC, as standard deviations.
                wire.ratio *= 1 + rng.gauss(0, 0.004)
                wire.gain = 1 + rng.gauss(0, 0.0005 if not self.chip else 0.004)
                wire.offset_uv = rng.gauss(0, 125 if not self.chip else 1500)
            self.wires.append(wire)
        # A table of noise, walked through: a draw for each reading would cost more than the plant.
        self._noise = [rng.gauss(0, self.noise_uv) for _ in range(1021)]
        self._at = 0

    def pins(self) -> int:
        """Levels of the digital pins as a bit mask."""
        levels = 0xFFFFFFFF
        if self.stop_closed:
            levels &= ~(1 << self.board.STOP_PIN)
        if self.button:
            levels &= ~(1 << self.board.ARM_PIN)
        return levels

    def parts(self) -> int:
        """Absent I2C parts (bits 0, 1) and a stuck bus (bit 8)."""
        return self.parts_absent | (0x100 if self.bus_stuck else 0)

    def sense_pin_uv(self, points_v: list[list[float]]) -> list[int]:
        """Input-referred microvolts at the eight sense inputs; `points_v[side][section]` relative to box ground."""
        noise, at = self._noise, self._at
        out = [0] * SENSES_MAX
        for n, wire in enumerate(self.wires):
            if wire is None:
                continue
            at += 1
            source = wire
            if wire.shorted_to is not None:
                other = self.wires[wire.shorted_to]
                if other is not None:
                    source = other
            volts = 0.0 if wire.cut else points_v[source.side][source.section]
            uv = volts * 1e6 / wire.ratio * wire.gain + wire.offset_uv + noise[at % 1021]
            out[n] = int(min(max(uv, -300_000), _SUPPLY_UV + 300_000))
        self._at = at
        return out

    def chip_pin_uv(self, sense_uv: list[int]) -> list[int]:
        """Microvolts at GPIO 26..29."""
        out = [0, 0, 0, 0]
        if self.chip:
            for n, pin in enumerate(self.board.SENSE_PINS):
                out[pin - 26] = max(0, min(_SUPPLY_UV, sense_uv[n]))
        faults = (self.lever.a_fault_mv, self.lever.b_fault_mv)
        for track, pin in enumerate(self.board.LEVER_PINS):
            fault = faults[track]
            mv = self._rest[track] + self._span[track] * self.lever.position_pm / 1000 if fault is None else fault
            out[pin - 26] = int(1000 * min(max(mv, 0), 3300))
        return out
