"""The lock step of VM, pulses and plant: time passes in the VM, and the world follows it to the microsecond."""

from __future__ import annotations

import heapq
import os
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

from barbox.errors import BoxError
from barbox.sim import flash, vm
from barbox.sim.panel import Panel
from barbox.sim.plant.plant import Plant
from barbox.sim.port import Port
from barbox.sim.pulses import PERIOD_US, EscPulse
from barbox.sim.wiring import Wiring

_HORIZON_US = 25_000  # the VM asks at least this often; a control step asks by itself every 20 ms
_PLANT_LEAST_US = 100  # shorter intervals are added to the next
_CARRIER_LEAST_V = 2.0  # of a 5 V buffer (generic logic of the HC family; from memory)
_POWER, _WATCHDOG = 1, 3  # machine.reset_cause()


def _core_now() -> int | None:
    """The core this runs on. The system has put us there because others are busier: any rule of our own, such as by
    the number of the process, would put two simulated boards on one core while another idles. Linux; else None."""
    try:
        stat = Path("/proc/thread-self/stat").read_text()
        return int(stat.rpartition(")")[2].split()[36])  # field 39 of proc(5), the second being in brackets
    except (OSError, ValueError, IndexError):
        return None


def serial_of(seed: int) -> str:
    """Serial number of the chip of a simulated board."""
    return f"e66{seed & 0xFFFFFFFFFF:013x}"


class LockStep:
    """Runs the firmware against `plant` through `wiring` and `port`. Times are microseconds since power-up.

    `pulses` (when `keep_pulses`): for each side a list of (rise_us, width_us). `flash_times`: of each flash operation
    (begin_us, how long it took).
    """

    def __init__(
        self,
        plant: Plant,
        wiring: Wiring,
        port: Port,
        *,
        seed: int,
        overlay: dict[str, bytes],
        costs: dict[str, int],
        boot_us: int,
        ticks_base_us: int = 0,
        code_bytes: int = 0,
        keep_pulses: bool = True,
    ) -> None:
        self.plant = plant
        self.wiring = wiring
        self.port = port
        self.now_us = 0
        self.resets: list[tuple[int, str]] = []
        self.heap_used_bytes = 0
        self.flash_times: list[tuple[int, int]] = []
        self._scratch = [0] * 4  # registers that only the power clears
        self.pin_levels: dict[int, int] = {}
        self.panel = Panel()
        sides = len(plant.spec.sides)
        self.pulses: list[list[tuple[int, int]]] = [[] for _ in range(sides)]
        self.last_pulse_us: list[int | None] = [None] * sides
        self._pulse_seen_us = [0] * sides
        self.keep_pulses = keep_pulses
        self.every_exchange = False  # look at the port at each exchange (real time), not between slices
        self._sides = sides
        self._folder = Path(tempfile.mkdtemp(prefix="barbox-sim-"))
        self._flash = self._folder / "flash"
        flash.fresh_copy(overlay, self._flash)
        self._code_bytes = code_bytes
        self._options = {
            "costs": costs,
            "boot_us": boot_us,
            "ticks_base_us": ticks_base_us,
            "seed": seed,
            "serial": serial_of(seed),
        }
        self._vm: vm.Vm | None = None
        self._epoch_us = 0  # when the running VM was powered or reset
        self._plant_us = 0
        self._schedule: list[tuple[int, int, Callable[[], object]]] = []
        self._scheduled = 0
        self._stdin_given = 0
        self._order = (vm.ORDER_NONE, 0)
        self._escs: dict[int, tuple[int, EscPulse]] = {}  # machine -> (side, model)
        self._gpio: dict[int, int] = {}
        self._clocks: set[int] = set()
        self._affinity: set[int] | None = None

    # -- life ---------------------------------------------------------------------------------------------

    def start(self, reset_cause: int = _POWER) -> None:
        """Power on, or come back from a reset."""
        self._epoch_us = self.now_us
        self._stdin_given = 0
        self._escs.clear()
        self._gpio.clear()
        self._clocks.clear()
        self.panel.power_off(self.now_us)  # the VM's model of the display begins dark
        self.last_pulse_us = [None] * self._sides
        if reset_cause == _POWER:
            self._scratch = [0] * 4
        options = {**self._options, "reset_cause": reset_cause, "scratch": self._scratch}
        options["random"] = self._options["seed"] + self._epoch_us
        options = flash.options(self._flash, **options)
        options["beside_bytes"] -= self._code_bytes
        self._vm = vm.Vm(options, vm.heap_bytes(self._code_bytes))
        if self._vm.receive_within() is None:
            raise BoxError("The simulated board did not start.")

    def power_off(self) -> None:
        """Cut the power; the flash keeps what it has."""
        if self._vm is not None:
            self._vm.close()
            self._vm = None
        self._escs.clear()
        self.panel.power_off(self.now_us)

    def close(self) -> None:
        self.power_off()
        self.port.close()
        shutil.rmtree(self._folder, ignore_errors=True)

    def share_a_core(self) -> None:
        """Run VM and plant on one core: an exchange then costs a tenth of what it does across two."""
        if self._vm is not None and hasattr(os, "sched_setaffinity"):
            cores = os.sched_getaffinity(0)
            core = _core_now()
            if core not in cores:
                core = min(cores)
            if self._affinity is None:
                self._affinity = cores
            os.sched_setaffinity(0, {core})
            os.sched_setaffinity(self._vm.pid, {core})

    def release_core(self) -> None:
        if self._affinity is not None:
            os.sched_setaffinity(0, self._affinity)
            self._affinity = None

    # -- what happens when ----------------------------------------------------------------------------------

    def at(self, t_us: int, action: Callable[[], object]) -> None:
        """Do `action` at virtual time `t_us`, exactly."""
        heapq.heappush(self._schedule, (max(t_us, self.now_us), self._scheduled, action))
        self._scheduled += 1

    def order(self, order: int, argument: int) -> None:
        """An order to the VM with the next answer: a stall, a flash cut, a slow flash."""
        self._order = (order, argument)

    # -- time -----------------------------------------------------------------------------------------------

    def advance_to(self, until_us: int) -> None:
        """Let virtual time pass up to `until_us`, exactly. Raises BoxError when the firmware hangs."""
        self._take_input()
        schedule = self._schedule
        while True:
            while schedule and schedule[0][0] <= self.now_us:
                heapq.heappop(schedule)[2]()
            if self.now_us >= until_us:
                return
            stop_us = min(until_us, schedule[0][0]) if schedule else until_us
            if self._vm is None:
                self._move_to(stop_us)
            else:
                self.wiring.look(self.now_us, self.plant.vehicle.distance_m)
                edge_us = self.now_us + self.wiring.wheel_edge_us(self.plant.vehicle.speed_m_s)
                self._exchange(min(stop_us, self.now_us + _HORIZON_US, edge_us))

    def _exchange(self, horizon_us: int) -> None:
        board = self._vm
        assert board is not None
        if self.every_exchange:
            self._take_input()
        board.answer(self._answer(horizon_us))
        message = board.receive()
        if message is None:
            self._gone("the firmware's VM ended")
            return
        t_us = self._epoch_us + message[1]
        count = message[0] & 0xFFFFFFFF
        if count:
            self._entries(message, count)
        self._move_to(t_us)
        output = board.take_output()
        if output:
            self.port.send(output)
        kind = message[0] >> 32
        if kind != vm.SYNC:
            board.close()
            cut = kind == vm.ENDED  # the power went, and came back
            self.resets.append((self.now_us, "power" if cut else "watchdog"))
            self.start(_POWER if cut else _WATCHDOG)

    def _gone(self, why: str) -> None:
        self.power_off()
        raise BoxError(f"The simulated board stopped at {self.now_us / 1e6:.3f} s: {why}.")

    def _answer(self, horizon_us: int) -> bytes:
        wiring = self.wiring
        plant = self.plant
        sides = range(self._sides)
        sense_uv = wiring.sense_pin_uv(
            [plant.sense_points_v(s) for s in sides],
            [plant.pack_negative_v(s) for s in sides],
            [plant.current_a(s) for s in sides],
        )
        order, argument = self._order
        self._order = (vm.ORDER_NONE, 0)
        return vm.ANSWER.pack(
            horizon_us - self._epoch_us, wiring.pins(), self._stdin_given, self.port.held_up(), order, argument,
            wiring.parts(), *sense_uv, *wiring.chip_pin_uv(sense_uv),
        )  # fmt: skip

    def _take_input(self) -> None:
        self.port.flush()
        data = self.port.receive()
        if data and self._vm is not None:
            self._vm.give_input(data)
            self._stdin_given += len(data)
            if b"\x03" in data and self._order[0] == vm.ORDER_NONE:
                self._order = (vm.ORDER_INTERRUPT, 0)  # takes hold where the firmware has not turned it off

    def _move_to(self, t_us: int) -> None:
        """Pulses and plant up to `t_us`."""
        self.now_us = t_us
        dt_us = t_us - self._plant_us
        if dt_us < _PLANT_LEAST_US:
            return
        self._plant_us = t_us
        seen: list[int | None] = [None] * self._sides
        for side, esc in self._escs.values():
            made = esc.pulses_until(t_us)
            if made:
                seen[side] = made[-1][1]
                if self.keep_pulses:
                    self.pulses[side] += made
                self._pulse_seen_us[side] = t_us
            elif t_us - self._pulse_seen_us[side] < 2 * PERIOD_US:
                continue
            self.last_pulse_us[side] = seen[side]
        self._feed_plant(dt_us, seen)

    def _feed_plant(self, dt_us: int, seen: list[int | None]) -> None:
        # What carries the signals to the ESCs gives none without its supply.
        carried = self.wiring.supply_v >= _CARRIER_LEAST_V
        cut = self.wiring.signal_cut
        self.plant.advance(dt_us / 1e6, [p if carried and n not in cut else None for n, p in enumerate(seen)])

    def _entries(self, message: tuple[int, ...], count: int) -> None:
        for i in range(2, 2 + 3 * count, 3):
            t_us = self._epoch_us + message[i]
            op, which, value = message[i + 1] >> 8, message[i + 1] & 0xFF, message[i + 2]
            if op == vm.PIO_PUT:
                if which in self._escs:
                    self._escs[which][1].put(t_us, value)
            elif op == vm.PIO_PROGRAM:
                self._gpio[which] = value >> 8
                if value & 1:
                    self._clocks.add(which)
            elif op == vm.PIO_ACTIVE:
                self._pio_active(t_us, which, bool(value))
            elif op == vm.PIN_OUT:
                self.pin_levels[which] = value
            elif op == vm.PWM_OUT:
                self.panel.pwm(t_us, value >> 16, value & 0xFFFF)
            elif op == vm.DISPLAY:
                self.panel.display(which, value)
            elif op == vm.FLASH_OP:
                self.flash_times.append((t_us, value))
            elif op == vm.SCRATCH:
                self._scratch[which] = value
            elif op == vm.PORT_WAIT:
                self.port.waits_us.append(value)
            elif op == vm.STARTED:
                self.heap_used_bytes = value

    def _pio_active(self, t_us: int, machine: int, on: bool) -> None:
        block = machine >> 2
        if machine in self._clocks:
            # The frame clock starts all ESC machines of its block; before it they only wait.
            for m, gpio in self._gpio.items():
                if m not in self._clocks and m >> 2 == block and gpio in self.wiring.board.ESC_PINS:
                    side = self.wiring.board.ESC_PINS.index(gpio)
                    if on and side < self._sides:
                        self._escs[m] = (side, EscPulse(t_us, m & 3))
        if not on and machine in self._escs:
            self._escs[machine][1].stop(t_us)
