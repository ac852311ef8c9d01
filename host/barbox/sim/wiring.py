"""Between the plant and the box: dividers, ADC inputs, lever, contacts, and what can go wrong with each wire.

The wheel sensor pulls its pin low for a quarter of each way of `wheel_mm`; the lock step ends an exchange at each
of its edges, so the firmware takes them by an interrupt at the very moment.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

from shared_proto.messages import SENSES_MAX
from shared_proto.settings import CURRENT, INPUTS_OF_A_PART, NEGATIVE, POINT, Values

_SUPPLY_UV = 3_300_000
_CHIP_COUNT_NV = 3_300_000_000 / 65_536  # one 16-bit code of the chip's own ADC
_REFERENCE_OUT_UV = 1_650_000  # of a current sensor that has one
_V_PER_A = 0.1  # setting sense.kind: of a current sensor, 1 mV stands for 10 mA

SUPPLY_V = 5.0
# A linear hall reads about 0.85 of its supply at full and all of it with its ground open (common practice).
_FULL_OF_SUPPLY = 0.85
_REST_SWITCH_PM = 30.0  # of the lever's travel
_WHEEL_LOW = 0.25  # share of a turn
_NEVER_US = 1 << 40
_EDGE_US = 200  # an edge of the wheel sensor is met to this
# An open box ground floats this far above that of the packs, anew at each look.
_FLOATING_V = (0.2, 2.0)

# The chip's ADC is off a straight line by up to two of its 4,096 counts, up in one eighth of its scale and down in the
# next, as its wide codes lie (common practice, no source). Where the corners are differs from chip to chip, so that at
# each code any error up to the limit is as likely as another: a limit alone says no more (JCGM 100:2008, 4.3.7).
_BEND_UV = 2 * _SUPPLY_UV / 4096
_EIGHTHS = 8


def _bent_uv(corner: float, uv: float) -> float:
    """`corner`: where the first one is, in eighths of the scale, 0 to 2."""
    at = (uv * _EIGHTHS / _SUPPLY_UV + corner) % 2
    return _BEND_UV * (2 * abs(at - 1) - 1)


@dataclass
class SenseWire:
    """One sense input: what of which side, its divider, and its ADC input's errors."""

    side: int
    section: int  # index of the section whose top it senses, of a point
    ratio: float  # true divider ratio; of a current sensor, of the voltage that stands for the current
    kind: int = POINT  # as the setting sense.kind
    zero_v: float = 0.0  # what stands for no current
    gain: float = 1.0  # of the ADC input
    offset_uv: float = 0.0
    corner: float | None = None  # of the chip's own ADC, see `_bent_uv`
    cut: bool = False  # fuse blown or wire broken: the lower resistor, or the input itself, brings the pin to ground
    shorted_to: int | None = None  # touches the wire of that input
    shake_v: float = 0.0  # standard deviation of what vibration adds at the far end
    pin_uv: int = 0  # at the last look
    frozen_uv: int | None = None  # its ADC input has stopped following: always the same code


class Lever:
    """Position in per mille of its travel, its two tracks, its rest switch, and what is wrong with them."""

    def __init__(self) -> None:
        self.position_pm = 0.0
        self.held_pm: float | None = None  # it sticks and does not come back below this
        self.mend()

    def mend(self) -> None:
        """All wires and magnets as they should be; what sticks still sticks."""
        self.a_fault_mv: float | None = None  # at the pin, whatever the lever does
        self.b_fault_mv: float | None = None
        self.ground_open = [False, False]
        self.joined = False  # the signal wires touch: both show the mean of the two
        self.supply_off = False
        self.shake_mv = 0.0  # standard deviation of what vibration adds at each pin
        self.drift_mv_per_s = [0.0, 0.0]
        self.drift_from_us = 0
        self.switch_stuck: bool | None = None  # the rest switch stays closed (True) or open (False)

    def move(self, per_mille: float) -> None:
        """To a position, or as far as it goes."""
        self.position_pm = per_mille if self.held_pm is None else max(per_mille, self.held_pm)

    @property
    def switch_closed(self) -> bool:
        """The rest switch: closed until the lever has moved by some 3 % of its travel."""
        return self.position_pm < _REST_SWITCH_PM if self.switch_stuck is None else self.switch_stuck


class Wiring:
    """What the pins carry. `errors=True` draws each part within its tolerance from `seed`."""

    def __init__(self, values: Values, board, seed: int, errors: bool = True) -> None:
        get = values.get
        rng = random.Random(seed)
        self.board = board
        self.chip = board.SENSE == "chip"
        self.lever = Lever()
        self.stop_closed = True
        self.stop_shorted = False  # the loop's wires touch: it reads closed whatever the contact does
        self.button = False
        self.brake = False
        self.supply_v = SUPPLY_V  # of the lever and of what carries the ESC signals
        self.signal_cut: set[int] = set()  # sides whose ESC gets no pulses
        self.ground_open = False
        self.wheel_mm: float = get("wheel_mm")  # way for one pulse, 0: no sensor
        self.wheel_cut = False
        self.now_us = 0
        self.parts_absent = 0
        self.parts_replaced = 0
        self.parts_frozen = 0
        self.parts_never_ready = 0
        self.bus_stuck = False  # the data line of the ADC bus is held low ...
        self.bus_clocks = 0  # ... until its clock has come so often; 0: for good
        self.bus_holds = 0  # how often it was
        self.reference_drift = 0.0  # of the ADCs' reference, relative: 0.01 reads 1 % too little
        self.display_bus_stuck = False
        self.display_powered = 0  # how often the display lost its supply
        self.noise_uv = 150.0 if not self.chip else 600.0
        self._rest = (get("lever_a_rest_mv"), get("lever_b_rest_mv"))
        self._span = (get("lever_a_full_mv") - self._rest[0], get("lever_b_full_mv") - self._rest[1])
        count_nv = _CHIP_COUNT_NV if self.chip else 125_000
        self.wires: list[SenseWire | None] = []
        self._references: dict[int, int] = {}  # input with a sensor's reference output: that of the sensor
        for n in range(SENSES_MAX):
            side, cells, kind = get("sense.side", n), get("sense.cells", n), get("sense.kind", n)
            if not side or not (cells or kind):
                self.wires.append(None)
                continue
            tops = sorted(
                get("sense.cells", m)
                for m in range(SENSES_MAX)
                if get("sense.side", m) == side and get("sense.kind", m) == POINT
            )
            ratio = get("sense.nv_per_count", n) / count_nv
            wire = SenseWire(side - 1, tops.index(cells) if kind == POINT else 0, ratio, kind)
            if get("sense.against", n):
                self._references[INPUTS_OF_A_PART * (n // INPUTS_OF_A_PART + 1) - 1] = n
            elif kind == CURRENT:
                wire.zero_v = -get("sense.offset_mv", n) / 1000
            self.wires.append(wire)
        self._nominal = [wire.ratio if wire else 0.0 for wire in self.wires]
        if errors:
            self.draw_errors(rng)
        # A table of noise, walked through: a draw for each reading would cost more than the plant.
        self._noise = [rng.gauss(0, self.noise_uv) for _ in range(1021)]
        self._at = 0
        self._floating = random.Random(seed + 1)
        self._turns = 0.5  # of the wheel, in pulses
        self._float_v = 0.0

    def without_noise(self) -> None:
        self._noise = [0.0] * len(self._noise)

    def draw_errors(self, rng: random.Random) -> None:
        """Give dividers and ADC inputs errors anew, as other parts of the same kind would have them."""
        for wire, ratio in zip(self.wires, self._nominal, strict=True):
            if wire is not None:
                # 1 % resistors and the data sheet's typical figures of the ADC, as standard deviations.
                wire.ratio = ratio * (1 + rng.gauss(0, 0.004 if wire.kind != NEGATIVE else 0))
                wire.gain = 1 + rng.gauss(0, 0.0005 if not self.chip else 0.004)
                wire.offset_uv = rng.gauss(0, 125 if not self.chip else 1500)
                if self.chip:
                    wire.corner = rng.uniform(0, 2)

    def look(self, now_us: int, distance_m: float) -> None:
        """The moment, and the vehicle's whole way, that all other calls are about."""
        self.now_us = now_us
        self._turns = 1000 * distance_m / self.wheel_mm if self.wheel_mm else 0.5
        self._float_v = self._floating.uniform(*_FLOATING_V) if self.ground_open else 0.0

    def wheel_edge_us(self, speed_m_s: float) -> int:
        """Time until the wheel sensor's next edge, at this speed."""
        if not self.wheel_mm or speed_m_s <= 0:
            return _NEVER_US
        turn = self._turns % 1
        to_go = (_WHEEL_LOW if turn < _WHEEL_LOW else 1) - turn
        return max(_EDGE_US, int(to_go * self.wheel_mm * 1000 / speed_m_s) + 1)

    def pins(self) -> int:
        """Levels of the digital pins as a bit mask."""
        levels = 0xFFFFFFFF
        if self.stop_closed or self.stop_shorted:
            levels &= ~(1 << self.board.STOP_PIN)
        if self.button:
            levels &= ~(1 << self.board.ARM_PIN)
        if self.brake:
            levels &= ~(1 << self.board.BRAKE_PIN)
        if self.lever.switch_closed:
            levels &= ~(1 << self.board.REST_PIN)
        if self._turns % 1 < _WHEEL_LOW and not self.wheel_cut:
            levels &= ~(1 << self.board.WHEEL_PIN)
        return levels

    def parts(self) -> int:
        """What is wrong with the parts on the I2C buses, bit by bit as in `hal/_parts.py`."""
        return (
            self.parts_absent
            | self.parts_replaced << 3
            | self.parts_frozen << 5
            | self.bus_stuck << 8
            | self.display_bus_stuck << 9
            | self.parts_never_ready << 10
            | self.display_powered << 16
            | self.bus_clocks << 32
            | (self.bus_holds & 0xFFFF) << 40
        )

    def sense_pin_uv(
        self, points_v: list[list[float]], negative_v: list[float], current_a: list[float]
    ) -> list[int]:
        """Input-referred microvolts at the eight sense inputs. `points_v[side][section]` and `negative_v[side]`
        relative to the ground of the ESCs, `current_a[side]` out of the pack."""
        noise, at = self._noise, self._at
        floating_uv = 1e6 * self._float_v
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
            if wire.cut:
                volts = 0.0
            elif source.kind == POINT:
                volts = points_v[source.side][source.section]
            elif source.kind == NEGATIVE:
                volts = negative_v[source.side]
            else:
                volts = source.zero_v + _V_PER_A * current_a[source.side]
            if wire.frozen_uv is not None:
                out[n] = wire.frozen_uv
                continue
            if wire.shake_v:
                volts += wire.shake_v * noise[(at + 500) % 1021] / self.noise_uv
            uv = volts * 1e6 / wire.ratio * wire.gain + wire.offset_uv + noise[at % 1021] - floating_uv
            if wire.corner is not None:
                uv += _bent_uv(wire.corner, uv)
            out[n] = int(min(max(uv, -300_000), _SUPPLY_UV + 300_000))
            wire.pin_uv = out[n]
        self._at = at
        for reference, sensor in self._references.items():
            out[reference] = _REFERENCE_OUT_UV
            wire = self.wires[sensor]
            if wire is not None and not wire.cut:
                out[sensor] = min(out[sensor] + _REFERENCE_OUT_UV, _SUPPLY_UV)
        if self.reference_drift:
            out = [round(uv / (1 + self.reference_drift)) for uv in out]
        return out

    def chip_pin_uv(self, sense_uv: list[int]) -> list[int]:
        """Microvolts at GPIO 26..29."""
        out = [0, 0, 0, 0]
        board = self.board
        if self.chip:
            for n, pin in enumerate(board.SENSE_PINS):
                out[pin - 26] = max(0, min(_SUPPLY_UV, sense_uv[n]))
        for track, pin in enumerate(board.LEVER_PINS):
            out[pin - 26] = int(1000 * min(max(self._track_mv(track) - 1000 * self._float_v, 0), 3300))
        if board.SUPPLY_PIN is not None:
            out[board.SUPPLY_PIN - 26] = int(min(1e6 * self.supply_v / board.SUPPLY_RATIO, _SUPPLY_UV))
        if self.chip and self.reference_drift:  # its sense inputs have it already
            for pin in board.LEVER_PINS:
                out[pin - 26] = round(out[pin - 26] / (1 + self.reference_drift))
        return out

    def _track_mv(self, track: int) -> float:
        if self.lever.joined:
            return (self._own_mv(0) + self._own_mv(1)) / 2
        return self._own_mv(track)

    def _own_mv(self, track: int) -> float:
        lever = self.lever
        fault = lever.b_fault_mv if track else lever.a_fault_mv
        if fault is not None:
            return fault
        rest, span = self._rest[track], self._span[track]
        if lever.ground_open[track]:
            mv = max(rest, rest + span) / _FULL_OF_SUPPLY
        else:
            mv = rest + span * lever.position_pm / 1000
        # A hall gives a share of its supply, and without one nothing.
        mv *= 0.0 if lever.supply_off else self.supply_v / SUPPLY_V
        if lever.drift_mv_per_s[track]:
            mv += lever.drift_mv_per_s[track] * (self.now_us - lever.drift_from_us) / 1e6
        if lever.shake_mv:
            self._at += 1
            mv += lever.shake_mv * self._noise[self._at % 1021] / self.noise_uv
        return mv
