"""The simulated board, to be used like a sentence: press the arm button, move the lever, cut a wire, look.

    with SimBoard.from_rig(rig) as box:
        box.open_stop_loop(); box.advance(0.5); box.close_stop_loop()
        box.press_arm_button(); box.advance(1.5); box.release_arm_button()
        box.move_lever(600); box.advance(3)
        assert box.thrust_n(LEFT) > 10
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable
from typing import TypeVar

import numpy as np

from barbox.errors import BoxError
from barbox.sim import letters
from barbox.sim.firmware import board_pins
from barbox.sim.lockstep import LockStep, serial_of
from barbox.sim.plant.params import PlantSpec
from barbox.sim.plant.plant import Plant
from barbox.sim.port import Port
from barbox.sim.vm import ORDER_FLASH_CUT, ORDER_FLASH_SLOW, ORDER_STALL
from barbox.sim.wire_faults import WireFaults
from barbox.sim.wiring import Wiring
from shared_proto.messages import SIDES_MAX
from shared_proto.settings import Values, grant_proof

LEFT, RIGHT = 0, 1

_BOOT_S = 1.2  # from power to the first line of main.py, compilation included; declared, not measured
_SLICE_S = 0.1  # of virtual time between two looks of a host that shares the thread
_PATIENCE = 20_000  # rounds of the event loop that a host gets to take what the board has sent

T = TypeVar("T")


class SimBoard(WireFaults):
    """One box with its rig. `values` are the settings on its flash, None for a box as it leaves the bench. A side that
    is `proven` there has a proof of this board, as if its bench run had been; only the flash can be filled like this,
    and no host.

    `seed` draws tolerances and noise; the same seed and the same actions give the same run, byte for byte.
    `overlay` replaces firmware files (path on the board -> content), `costs` entries of hal/_costs.py. `code_bytes` is
    what code takes of the heap beside what the VM sees of it: none, or `vm.CODE_BYTES`.
    """

    def __init__(
        self,
        plant: PlantSpec,
        wired_as: Values,
        *,
        values: Values | None = None,
        board: str = "pico_w",
        seed: int = 1,
        errors: bool = True,
        overlay: dict[str, bytes] | None = None,
        costs: dict[str, int] | None = None,
        ticks_base_us: int = 0,
        boot_s: float = _BOOT_S,
        keep_pulses: bool = True,
        one_core: bool = True,
        code_bytes: int = 0,
    ) -> None:
        files = {"board.txt": board.encode(), **(overlay or {})}
        if values is not None:
            files["settings.a"] = settings_slot(_as_if_proved(values, serial_of(seed)))
        self.plant = Plant(plant, seed)
        self.wiring = Wiring(wired_as, board_pins(board), seed, errors)
        self.port = Port()
        self._one_core = one_core
        self._step = LockStep(
            self.plant,
            self.wiring,
            self.port,
            seed=seed,
            overlay=files,
            costs=costs or {},
            boot_us=int(boot_s * 1e6),
            ticks_base_us=ticks_base_us,
            keep_pulses=keep_pulses,
            code_bytes=code_bytes,
        )

    @classmethod
    def from_rig(cls, rig, *, applied: bool = True, proved: bool = True, **options) -> SimBoard:
        """A box in the rig of a rig sheet, with the rig's settings on its flash when `applied`, and as if the stop of
        its sides had been `proved`."""
        values = rig.settings()
        for n in range(len(rig.sides)):
            values.put("side.proven", int(proved), n)
        options.setdefault("board", rig.board.name)
        return cls(rig.plant_spec(), values, values=values if applied else None, **options)

    # -- power and time ---------------------------------------------------------------------------------------

    def __enter__(self) -> SimBoard:
        self.power_on()
        return self

    def __exit__(self, *exc) -> None:
        self.close()

    def power_on(self) -> None:
        """Power on: boot takes its time before the first pulse."""
        self._step.start()
        if self._one_core:
            self._step.share_a_core()

    def power_off(self) -> None:
        """Cut the power in whatever the box is doing."""
        self._step.power_off()

    def close(self) -> None:
        """End the simulation and remove its files."""
        self._step.close()
        self._step.release_core()

    @property
    def now_s(self) -> float:
        """Virtual time since the first power-on."""
        return self._step.now_us / 1e6

    def advance(self, seconds: float) -> None:
        """Let virtual time pass, exactly. Raises BoxError when the firmware hangs."""
        self._step.advance_to(self._step.now_us + round(seconds * 1e6))

    def keep_pace(self, on: bool) -> None:
        """A caller keeps virtual time at the pace of the wall clock: the port is looked at all the time."""
        self._step.every_exchange = on

    def after(self, seconds: float, action) -> None:
        """Do `action()` at that moment from now, to the microsecond, in whatever the box is doing."""
        self._step.at(self._step.now_us + round(seconds * 1e6), action)

    async def sleep(self, seconds: float) -> None:
        """For a host in this event loop: wait until so much virtual time has passed."""
        passed = asyncio.get_running_loop().create_future()
        self.after(seconds, lambda: passed.done() or passed.set_result(None))
        await passed

    async def ride(self, seconds: float, link=None) -> None:
        """`advance`, in slices, so that a host in this event loop can listen. `link.bytes_received` counts what
        it has taken: virtual time waits for it, so a run does not depend on how fast the host is."""
        end_us = self._step.now_us + round(seconds * 1e6)
        while self._step.now_us < end_us:
            self._step.advance_to(min(end_us, self._step.now_us + int(_SLICE_S * 1e6)))
            await self._settle(link)

    async def while_waiting(self, request: Awaitable[T], link=None, limit_s: float = 30.0) -> T:
        """Let virtual time pass until `request` of a host in this event loop is done. Raises BoxError after
        `limit_s` of virtual time."""
        task = asyncio.ensure_future(request)
        end_us = self._step.now_us + int(limit_s * 1e6)
        await self._settle(link)
        while not task.done():
            if self._step.now_us >= end_us:
                task.cancel()
                raise BoxError(f"no answer within {limit_s:.0f} s of virtual time")
            self._step.advance_to(self._step.now_us + 20_000)
            await self._settle(link)
        return task.result()

    async def _settle(self, link) -> None:
        """Give the host its turn until it has taken all that was sent, has nothing more to say at once, and what it
        said lies at the board's end of the port."""
        for _ in range(_PATIENCE):
            await asyncio.sleep(0)
            self.port.flush()
            if link is None or not self.port.is_open() or not self.port.reading:
                break
            if not self.port.pending and link.bytes_received >= self.port.written - self._link_base(link)[0]:
                break
        for _ in range(4):  # what was received may lead to an answer
            await asyncio.sleep(0)
        if link is None:
            return
        while link.closing:  # a thread does it, within a limit; the board's time must not depend on how fast
            await asyncio.sleep(0)
        base = self._link_base(link)
        for _ in range(_PATIENCE):
            if not self.port.is_open() or self.port.taken + self.port.waiting() >= base[1] + link.bytes_sent:
                return
            await asyncio.sleep(0)
        base[1] = self.port.taken + self.port.waiting() - link.bytes_sent  # those are lost

    def _link_base(self, link) -> list[int]:
        """Bytes that went each way before this link's first."""
        base = getattr(link, "_sim_base", None)
        if base is None:
            fresh = link.bytes_received == 0  # what it has sent may not have come yet
            there = self.port.taken if fresh else self.port.taken + self.port.waiting() - link.bytes_sent
            base = link._sim_base = [self.port.written - link.bytes_received, there]
        return base

    # -- the rider's hands --------------------------------------------------------------------------------------

    def press_arm_button(self) -> None:
        self.wiring.button = True

    def release_arm_button(self) -> None:
        self.wiring.button = False

    def move_lever(self, per_mille: float) -> None:
        """Lever to a position of its travel, 0 rest to 1000 full."""
        self.wiring.lever.move(per_mille)

    def press_brake(self) -> None:
        """The brake switch closes; braking itself is `plant.vehicle.brake_n`."""
        self.wiring.brake = True

    def release_brake(self) -> None:
        self.wiring.brake = False

    def open_stop_loop(self) -> None:
        self.wiring.stop_closed = False

    def close_stop_loop(self) -> None:
        self.wiring.stop_closed = True

    def arm(self) -> None:
        """The whole arming order, as a rider does it."""
        self.move_lever(0)
        self.open_stop_loop()
        self.advance(0.3)
        self.close_stop_loop()
        self.advance(6.0)
        self.press_arm_button()
        self.advance(1.5)
        self.release_arm_button()
        self.advance(0.1)

    # -- faults, beside those of `WireFaults` -----------------------------------------------------------------

    def weaken_section(self, side: int, section: int, **how) -> None:
        """`how` as in `Plant.weaken_section`; sections from 0, lowest first."""
        self.plant.weaken_section(side, section, **how)

    def silence_adc(self, part: int = 0) -> None:
        """The I2C ADC `part` (0 or 1) no longer answers."""
        self.wiring.parts_absent |= 1 << part

    def wake_adc(self, part: int = 0) -> None:
        """Undo `silence_adc`."""
        self.wiring.parts_absent &= ~(1 << part)

    def replace_adc_part(self, part: int = 0, other: bool = True) -> None:
        """Another kind of part answers at the address of I2C ADC `part` (0 or 1); `other=False` puts the right one
        back."""
        self.wiring.parts_replaced = _with_bit(self.wiring.parts_replaced, part, other)

    def freeze_adc(self, part: int = 0, frozen: bool = True) -> None:
        """The I2C ADC `part` goes on converting, and every result is that of its last conversion."""
        self.wiring.parts_frozen = _with_bit(self.wiring.parts_frozen, part, frozen)

    def stall_adc(self, part: int = 0, stalled: bool = True) -> None:
        """Conversions of the I2C ADC `part` begin and never end."""
        self.wiring.parts_never_ready = _with_bit(self.wiring.parts_never_ready, part, stalled)

    def stick_bus(self, stuck: bool = True) -> None:
        """Hold the data line of the ADC bus low for good: every transfer runs into its time-out."""
        self.wiring.bus_stuck = stuck
        self.wiring.bus_clocks = 0

    def hold_bus_low(self, clocks: int = 9) -> None:
        """A part on the ADC bus that was interrupted in mid-byte holds the data line low until it has seen so many
        clocks, 1 to 9."""
        self.wiring.bus_stuck = True
        self.wiring.bus_clocks = clocks
        self.wiring.bus_holds += 1

    def drift_reference(self, percent: float) -> None:
        """The reference of the ADCs rises by `percent` (the 3.3 V rail, of the chip's own): readings fall by it."""
        self.wiring.reference_drift = percent / 100

    def unplug_display(self) -> None:
        """Take the display off its bus; it loses its supply."""
        self.wiring.parts_absent |= 4
        self.wiring.display_powered += 1
        self._step.panel.blank()

    def plug_in_display(self) -> None:
        self.wiring.parts_absent &= ~4

    def stick_display_bus(self, stuck: bool = True) -> None:
        """Hold the display's bus low: every transfer on it runs into its time-out."""
        self.wiring.display_bus_stuck = stuck

    def stall_processor(self, seconds: float) -> None:
        """Nothing in Python moves for that long, from the next moment on."""
        self._step.order(ORDER_STALL, round(seconds * 1e6))

    def stall_flash(self, seconds: float = 0.4) -> None:
        """The next sector erase takes that much longer, with interrupts off."""
        self._step.order(ORDER_FLASH_SLOW, round(seconds * 1e6))

    def cut_power_at_flash_operation(self, count: int) -> None:
        """Lose power in the middle of the flash operation after `count` more; the box then starts again."""
        self._step.order(ORDER_FLASH_CUT, count)

    def unplug_cable(self) -> None:
        self.port.unplug()

    def plug_in_cable(self) -> None:
        self.port.plug_in()

    def stop_reading_port(self) -> None:
        """The host keeps the port open and reads no more."""
        self.port.reading = False

    def read_port_again(self) -> None:
        self.port.reading = True

    # -- what can be seen -------------------------------------------------------------------------------------------

    def pulses(self, side: int) -> list[tuple[int, int]]:
        """All pulses of a side so far: (rise in us since power-on, width in us)."""
        return self._step.pulses[side]

    def pulse_us(self, side: int) -> int | None:
        """Width of the last pulse, None without any yet."""
        made = self._step.pulses[side]
        return made[-1][1] if made else None

    def last_pulse_us(self, side: int) -> int | None:
        """Width of the pulse of the last frame, None when there was none."""
        return self._step.last_pulse_us[side]

    def thrust_n(self, side: int) -> float:
        return self.plant.thrust_n(side)

    def string_voltage_v(self, side: int) -> float:
        return self.plant.string_voltage_v(side)

    def screen(self) -> np.ndarray:
        """Pixels of the display, (64, 128) of bool, True lit; all dark while it is off."""
        return self._step.panel.screen()

    def screen_text(self) -> list[str]:
        """Lines of letters that can be read on the display, from top to bottom."""
        return letters.read(self.screen())

    @property
    def sound(self) -> tuple[int, bool]:
        """Frequency of the buzzer in Hz, and whether it sounds."""
        return self._step.panel.sound

    @property
    def sounds(self) -> list[tuple[int, int]]:
        """(time in us since the first power-on, frequency in Hz, 0 silence) of each change of the buzzer."""
        return self._step.panel.sounds

    @property
    def resets(self) -> list[tuple[int, str]]:
        """(time in us, cause) of each reset since the first power-on."""
        return self._step.resets

    @property
    def flash_times(self) -> list[tuple[int, int]]:
        """(begin in us since the first power-on, how long in us) of each erase and program of the flash."""
        return self._step.flash_times

    @property
    def heap_used_bytes(self) -> int:
        """Heap of the VM in use when main.py was about to start: what the shims take."""
        return self._step.heap_used_bytes


def _with_bit(word: int, bit: int, on: bool) -> int:
    return word | 1 << bit if on else word & ~(1 << bit)


def _as_if_proved(values: Values, serial: str) -> Values:
    """The same with marks of this board for the sides that are proved."""
    values = values.copy()
    for n in range(SIDES_MAX):
        if values.get("side.proven", n):
            grant_proof(values, n, serial.encode(), 1)
    return values


def settings_slot(values: Values) -> bytes:
    """The content of a settings slot on the board's flash, as the firmware's own store writes it."""
    import binascii
    import struct

    blob = values.to_blob()
    data = struct.pack("<4sIH", b"BXS1", 1, len(blob)) + blob
    return data + struct.pack("<I", binascii.crc32(data))
