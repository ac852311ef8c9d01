"""The whole box: core, drivers and services put together and run. `main.py` starts it."""

import asyncio
import os

import machine

from core.controller import Controller
from drivers.display import Display
from drivers.pulse import PulseOutput
from drivers.scratch import Scratch
from drivers.serial_port import SerialPort
from drivers.sounder import Sounder
from drivers.switches import Switches
from drivers.wheel import Wheel
from services.beats import Beats
from services.bench_requests import BenchRequests
from services.clock import Clock
from services.control import Control
from services.estimate import Estimator
from services.estimator import EstimatorTask
from services.faults import FaultRequests
from services.house import House
from services.link import Link
from services.log import Log
from services.log_task import LogTask
from services.proof_requests import ProofRequests
from services.requests import Requests
from services.screens import Screens
from services.sounds import Sounds
from services.store import Store
from services.stream import Stream
from shared_proto import states
from shared_proto.messages import SENSES_MAX
from shared_proto.settings import take_force, withdraw_proofs

_NEW_IDLE_MS = 3000  # for each side, without a pulse
_AFRESH_MS = 1000  # until a screen or sound that failed is begun again


def i2c_bus(number, scl, sda, hz):
    return machine.I2C(number, scl=machine.Pin(scl), sda=machine.Pin(sda), freq=hz, timeout=3000)


def sense_driver(board):
    if board.SENSE == "i2c":
        from drivers.adc_i2c import I2cSense

        def open_bus():
            return i2c_bus(board.I2C_ID, board.I2C_SCL, board.I2C_SDA, board.I2C_HZ)

        return I2cSense(open_bus, board.I2C_SCL, board.I2C_SDA, board.I2C_PARTS)
    from drivers.adc_chip import ChipSense

    return ChipSense(board.SENSE_PINS)


class Box:
    """Everything of one box, wired together."""

    def __init__(self, board):
        from drivers.adc_chip import LeverAdc, SupplyAdc

        self.error = None  # the exception that ended a task
        self.controller = Controller()
        self.store = Store()
        self.store.load()
        values = self.store.values
        reset = {machine.PWRON_RESET: states.RESET_POWER, machine.WDT_RESET: states.RESET_WATCHDOG}.get(
            machine.reset_cause(), states.RESET_UNKNOWN)
        serial = "".join(["%02x" % b for b in machine.unique_id()]).encode()
        withdraw_proofs(values, serial)  # settings of another box may lie on this flash
        # New end points wait for a hand at the switch: no host can have the watchdog bring them into force.
        self.new_idle = take_force(values) if reset == states.RESET_POWER else None
        # A fourth side needs the second PIO block, which the radio of some boards uses, too.
        pulses = PulseOutput(board.ESC_PINS[: max(3, values.get("sides"))])
        self.sense = sense_driver(board)
        self.wheel = Wheel(board.WHEEL_PIN)
        readers = [
            Switches(board.STOP_PIN, board.ARM_PIN, board.BRAKE_PIN, board.REST_PIN, self.controller.inputs, pulses),
            LeverAdc(board.LEVER_PINS),
            self.sense,
            self.wheel,
        ]
        if board.SUPPLY_PIN is not None:
            readers.append(SupplyAdc(board.SUPPLY_PIN, board.SUPPLY_RATIO))
        beats = Beats()
        clock = Clock()
        port = SerialPort()
        self.control = Control(self.controller, readers, pulses, beats)
        self.house = House(self.control, beats)
        estimate = Estimator()
        scratch = Scratch()
        before, silent = scratch.take()
        ridden = scratch.kept()
        self.estimator = EstimatorTask(self.controller, estimate, beats, scratch.keep)
        scratch.note(states.LOCKED, states.CAUSE_NONE)
        self.stream = Stream(self.control, self.store, clock, port, estimate, beats)
        requests = Requests(self.control, self.store, clock, board.NAME.encode(), serial, reset,
                            lambda: self.house.free_bytes, board.REFERENCE_PPM)
        requests.wired_only = BenchRequests(self.controller, lambda: int.from_bytes(os.urandom(4), "little")).do
        requests.wired_only.update(
            ProofRequests(self.controller.bench, self.store, serial, requests.put_in_force).do)
        self.link = Link(port, requests, self.controller, beats, wired=True)
        log = Log()
        log.load()
        log.start(reset, before)
        requests.boots = log.boots
        decoder = self.link.decoder
        requests.also(FaultRequests(self.control, log, lambda: (decoder.bad, decoder.oversized)).handlers())
        self.log = LogTask(self.control, log, clock, estimate, scratch.note)
        self.display = Display(
            i2c_bus(board.DISPLAY_I2C_ID, board.DISPLAY_SCL, board.DISPLAY_SDA, board.DISPLAY_I2C_HZ),
            board.DISPLAY_ADDRESS)
        self.screens = Screens(self.controller, self.display)
        self.sounds = Sounds(self.controller, Sounder(board.SOUNDER_PIN))
        self.controller.warnings.settings_lost = self.store.doubtful
        self.controller.warnings.last_stop = log.unseen
        events = self.controller.events
        events.add(0, states.EVENT_BOOT, reset, before)
        if silent >= 0:
            events.add(0, states.EVENT_ERROR, states.PART_LINK + silent, 1)
        for side, before_us, now_us in self.new_idle or ():
            events.add(0, states.EVENT_IDLE_CHANGED, side + 1 << 12 | before_us, now_us)
        if self.store.doubtful:
            events.add(0, states.EVENT_ERROR, states.PART_STORE, 1)
        if log.broken:
            events.add(0, states.EVENT_ERROR, states.PART_LOG, 1)
        lock = self.controller.interlock
        self.control.on_silent = lambda task: scratch.note(lock.state, lock.cause, task)
        self.control.on_configure = self._use
        self.control.configure(values)
        estimate.restore(log.snapshot, reset != states.RESET_WATCHDOG)
        if reset == states.RESET_WATCHDOG and ridden:
            estimate.go_on(*ridden)

    def _use(self, values):
        self.estimator.configure(values)
        self.controller.warnings.settings_lost = self.store.doubtful  # a commit writes the slot that was
        self.wheel.way_mm = values.get("wheel_mm")
        self.sense.use([0 < values.get("sense.side", n) <= values.get("sides") for n in range(SENSES_MAX)],
                       [values.get("sense.against", n) for n in range(SENSES_MAX)])

    async def run(self):
        """Never returns: a task that ends or raises stops its heartbeat, and the step notices. Screen and sound
        have none: the ride goes on, and they are begun again."""
        self.house.collect()
        await self._tell_new_idle()
        self.control.start(self.store.values.get("watchdog_ms"))
        # In the order of states.PARTS, which begins with the step.
        tasks = (self.link, self.stream, self.house, self.estimator, self.screens, self.sounds, self.log)
        await asyncio.gather(*[self._guarded(n, task) for n, task in enumerate(tasks)])

    async def _tell_new_idle(self):
        """Before the first pulse: from what to what idle has changed, long enough to reach for the plug. Then it is
        old news, also to the flash."""
        if self.new_idle is None:
            return
        for side, before_us, now_us in self.new_idle:
            await self.screens.new_idle(self.store.values.get("side.name", side), before_us, now_us)
            await asyncio.sleep_ms(_NEW_IDLE_MS)
        try:
            self.store.commit(self.store.values)
        except OSError:
            pass  # told again at the next start

    async def _guarded(self, number, task):
        """A task without a heartbeat is begun afresh: a picture that no longer changes would be believed."""
        errors = 0
        while True:
            try:
                await task.run()
            except Exception as e:
                self.error = e
            errors += 1
            if errors & (errors - 1) == 0:  # the first, second, fourth ...: one that always fails fills no log
                self.controller.events.add(self.controller.now_ms, states.EVENT_ERROR, number + 1, errors)
            if task is not self.screens and task is not self.sounds:
                return
            task.afresh()
            await asyncio.sleep_ms(_AFRESH_MS)


def run(board):
    """Build the box of this board and run it; raises what stopped it."""
    asyncio.run(Box(board).run())
    raise RuntimeError("all tasks of the box have ended")
