"""A box of the example rig with short waits, and a host on its port that knows when it has read everything."""

import os
import select
import tty
from dataclasses import dataclass, field

from barbox import proto
from barbox.demo.ride import example_rig
from barbox.sim.board import SimBoard
from shared_proto import frames, messages, states
from shared_proto.settings import ROWS, SETTINGS, Values, conflict

IDLE_US = 1000
FRAME_US = 20_000
HOLD_MS, ESC_IDLE_MS = 500, 1000


def quick_values(**plain) -> Values:
    """Settings of the example rig, with the shortest waits of the arming order."""
    values = example_rig().settings()
    for n in (0, 1):
        values.put("side.proven", 1, n)
    for name, value in {"arm_hold_ms": HOLD_MS, "esc_idle_ms": ESC_IDLE_MS, **plain}.items():
        values.put(name, value)
    assert conflict(values) == ""
    return values


def make_box(values: Values | None = None, *, applied=True, **options) -> SimBoard:
    """Off; use as `with make_box() as box`. Boots in a tenth of a second of virtual time. `plant`: another than the
    example rig's."""
    rig = example_rig()
    values = quick_values() if values is None else values
    options.setdefault("boot_s", 0.1)
    plant = options.pop("plant", None) or rig.plant_spec()
    return SimBoard(plant, values, values=values if applied else None, **options)


def arm(box: SimBoard) -> None:
    """The arming order as fast as the quick settings allow, with the button let go."""
    box.open_stop_loop()
    box.advance(0.1)
    box.close_stop_loop()
    box.advance(ESC_IDLE_MS / 1000 + 0.3)
    box.press_arm_button()
    box.advance(HOLD_MS / 1000 + 0.1)
    box.release_arm_button()
    box.advance(0.1)


def us(box: SimBoard) -> int:
    return round(box.now_s * 1e6)


def above_idle(box: SimBoard, side: int, since_us: int = 0) -> list[tuple[int, int]]:
    return [(rise, width) for rise, width in box.pulses(side) if width > IDLE_US and rise + width > since_us]


@dataclass
class Host:
    """Opens the port of `box`. `statuses` and `events` fill as time passes in `ride` and `request`."""

    box: SimBoard
    statuses: list = field(default_factory=list)
    events: list = field(default_factory=list)
    raw: bytearray = field(default_factory=bytearray)

    def __post_init__(self):
        self._decoder = frames.Decoder()
        self._answers: list = []
        self._number = 100
        self.open()

    def open(self):
        self._fd = os.open(self.box.port.path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(self._fd)
        self._base = self.box.port.written
        self._got = 0

    def close(self):
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()

    @property
    def bad(self):
        return self._decoder.bad + self._decoder.oversized

    def read(self):
        """Take all that the board has written: a pseudo-terminal hands it over a moment later."""
        port = self.box.port
        while self._fd >= 0 and port.is_open():
            port.flush()
            if self._got >= port.written - self._base and not (port.pending and port.reading):
                return
            if not select.select([self._fd], [], [], 5)[0]:
                raise AssertionError("the port handed nothing over")
            data = os.read(self._fd, 65536)
            self._got += len(data)
            self.raw += data
            for body in self._decoder.feed(data):
                self._take(proto.unpack(body))

    def _take(self, record):
        if record.kind == messages.STATUS.kind:
            self.statuses.append(record)
        elif record.kind == messages.EVENT.kind:
            self.events.append(record)
        else:
            self._answers.append(record)

    def ride(self, seconds: float, slice_s: float = 0.1):
        """Let time pass and read what comes."""
        end_us = us(self.box) + round(seconds * 1e6)
        while us(self.box) < end_us:
            self.box.advance(min(slice_s, (end_us - us(self.box)) / 1e6))
            self.read()

    def send(self, data: bytes):
        """Bytes to the board; they are there when this returns."""
        for at in range(0, len(data), 512):
            part = data[at : at + 512]
            there = min(self.box.port.waiting() + len(part), 3500)  # the kernel holds no more than 4,095
            assert os.write(self._fd, part) == len(part)
            self.box.port.wait_for(there)

    def post(self, message, *values, number: int | None = None) -> int:
        """Send a request without waiting for its answer; returns its number."""
        self._number += number is None
        number = self._number if number is None else number
        self.send(frames.encode(message.pack(number, *values)))
        return number

    def wait_for(self, number: int, within_s: float = 2.0):
        """The answer to a request, the first one."""
        end_us = us(self.box) + round(within_s * 1e6)
        while us(self.box) < end_us:
            self.box.advance(0.02)
            self.read()
            for record in self._answers:
                if record.number == number:
                    self._answers.remove(record)
                    return record
        raise AssertionError(f"no answer within {within_s} s")

    def request(self, message, *values, number: int | None = None, within_s: float = 2.0):
        """Send a request and return the record that answers it."""
        return self.wait_for(self.post(message, *values, number=number), within_s)

    def hello(self):
        return self.request(messages.HELLO, messages.MAJOR, messages.MINOR)

    def put(self, name: str, value, index: int = 0, **how):
        row = ROWS[name]
        return self.request(messages.SETTING_PUT, row, index, SETTINGS[row].pack(value), **how)

    def get(self, name: str, index: int = 0):
        row = ROWS[name]
        return SETTINGS[row].unpack(self.request(messages.SETTING_GET, row, index).value)

    @property
    def status(self):
        return self.statuses[-1]

    @property
    def state(self) -> str:
        return states.name(states.STATES, self.status.state)

    @property
    def cause(self) -> str:
        return states.name(states.CAUSES, self.status.cause)

    @property
    def waits(self) -> str:
        return states.name(states.WAITS, self.status.waits)

    @property
    def limit(self) -> str:
        return states.name(states.LIMITS, self.status.limit)

    @property
    def warnings(self) -> set[str]:
        return {row[0] for n, row in enumerate(states.WARNINGS) if self.status.warnings >> n & 1}

    def events_of(self, name: str) -> list:
        return [e for e in self.events if states.name(states.EVENTS, e.event) == name]

    def states_seen(self) -> list[str]:
        return [states.name(states.STATES, e.a) for e in self.events_of("STATE")]
