"""The MicroPython VM that the firmware runs in: a child process, two pipes for the lock step, two for the port."""

from __future__ import annotations

import contextlib
import json
import os
import select
import struct
import subprocess
import sys
from pathlib import Path

from barbox.errors import BoxError

# The layout of hal/_bus.py.
SYNC, RESET, ENDED = 0, 1, 2
PIO_PUT, PIO_ACTIVE, PIO_PROGRAM, PIO_EXEC, PIN_OUT, PWM_OUT, FLASH_OP, STARTED, DISPLAY, SCRATCH = range(1, 11)
PORT_WAIT = 11
ENTRIES = 20
_MESSAGE = struct.Struct(f"<{2 + 3 * ENTRIES}q")
ANSWER = struct.Struct("<19q")
ORDER_NONE, ORDER_STALL, ORDER_FLASH_CUT, ORDER_FLASH_SLOW, ORDER_INTERRUPT = range(5)

# About 240,000 bytes of heap are free after a plain boot of the board. Pointers are twice as wide on this 64-bit VM;
# what the shims of the simulated board take themselves comes on top.
BOARD_HEAP_BYTES = 240_000
SHIM_HEAP_BYTES = 70_000
# Code is no wider here than on the board, and machine code lies outside of this VM's heap: what halving leaves out when
# the code lies on the board's heap, as it does when it is imported from files and not run where it stands in the flash.
# Measured with a 32-bit VM and mpy-cross; `tests/board/test_heap.py` holds it to what mpy-cross makes.
CODE_BYTES = 59_000


def heap_bytes(code_bytes: int = 0) -> int:
    """Heap for this VM. `code_bytes`: 0, or CODE_BYTES."""
    return 2 * (BOARD_HEAP_BYTES - code_bytes) + SHIM_HEAP_BYTES


_HAL = Path(__file__).parent / "hal"
_WALL_LIMIT_S = 60.0  # without an exchange for this long the VM hangs in a loop that passes no time


def available() -> bool:
    """Whether the package with the VM is installed (Linux and macOS only)."""
    import importlib.util

    return importlib.util.find_spec("micropython_unix") is not None


class Vm:
    """One run of the VM, from reset to reset. `options` go to hal/boot.py."""

    def __init__(self, options: dict, heap: int | None = None) -> None:
        if not available():
            raise BoxError(
                "The simulated board needs Linux or macOS and the extra `sim`: pip install 'barbox[sim]'."
            )
        their_in, self._answers = os.pipe()
        self._messages, their_out = os.pipe()
        run = "import sys; from micropython_unix import run_main; sys.exit(run_main(['micropython'] + sys.argv[1:]))"
        args = ["-X", f"heapsize={heap or heap_bytes()}", str(_HAL / "boot.py"), str(their_in), str(their_out)]
        self._process = subprocess.Popen(
            [sys.executable, "-S", "-c", _SITE + run, *args],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            pass_fds=(their_in, their_out),
            start_new_session=True,  # Ctrl-C is for us; the VM ends when its pipes do
            env={**os.environ, "MICROPYPATH": f"{_HAL}:.frozen"},
        )
        os.close(their_in)
        os.close(their_out)
        os.write(self._answers, json.dumps(options).encode() + b"\n")
        assert self._process.stdin is not None and self._process.stdout is not None
        self._stdin = self._process.stdin.fileno()
        self._stdout = self._process.stdout.fileno()
        os.set_blocking(self._stdout, False)
        self._unpack = _MESSAGE.unpack
        self._size = _MESSAGE.size

    @property
    def pid(self) -> int:
        return self._process.pid

    def receive(self) -> tuple[int, ...] | None:
        """The next message, flat; None when the VM has gone."""
        data = os.read(self._messages, self._size)
        while 0 < len(data) < self._size:
            data += os.read(self._messages, self._size - len(data))
        return self._unpack(data) if data else None

    def receive_within(self, seconds: float = _WALL_LIMIT_S) -> tuple[int, ...] | None:
        """Like `receive`, for a VM that may hang. Raises BoxError."""
        if not select.select([self._messages], [], [], seconds)[0]:
            self.close()
            raise BoxError(f"The simulated board passed no time for {seconds:.0f} s: its firmware loops.")
        return self.receive()

    def answer(self, packed: bytes) -> None:
        """Answer the last message and let the VM go on."""
        with contextlib.suppress(BrokenPipeError):  # the next receive tells
            os.write(self._answers, packed)

    def take_output(self) -> bytes:
        """What the firmware has written to its port since the last call."""
        try:
            return os.read(self._stdout, 65536)
        except BlockingIOError:
            return b""

    def give_input(self, data: bytes) -> None:
        """Bytes for the firmware's port; they count from the answer on that says so."""
        os.write(self._stdin, data)

    def close(self) -> None:
        """End the run, at once: as a reset or a power cut does."""
        for fd in (self._answers, self._messages):
            if fd >= 0:
                os.close(fd)
        self._answers = self._messages = -1
        self._process.kill()
        self._process.wait()
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                with contextlib.suppress(BrokenPipeError):
                    stream.close()


# With -S the child starts in a third of the time; it needs one path.
_SITE = f"import sys; sys.path[:0] = {[p for p in sys.path if p.endswith('site-packages')]!r}; "
