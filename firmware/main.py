"""Boot entry: choose the board and start the box on it; when that fails, say why, again and again.

It imports none of the box at its top, so that a damaged file, too, ends here: no pulses (the pins stay low), the
reason on the display if that can be, and on the port, again and again. Ctrl-C ends neither the start nor the telling:
its byte, 0x03, comes in frames of a host as well. MicroPython heeds it from main.py's first line on, so it is turned
off in the first statement. Before that MicroPython takes it for data (it compiles, and has not armed it yet).

With the arm button held while power comes on, the box is not started: no pulses, and the port is a plain
MicroPython prompt for repairs. A box that did not start gives it for five times Ctrl-C in a row, too.
"""

import micropython

micropython.kbd_intr(-1)  # before any import that takes time

import asyncio  # noqa: E402
import gc  # noqa: E402
import select  # noqa: E402
import sys  # noqa: E402
import time  # noqa: E402

import machine  # noqa: E402

_EVERY_MS = 2000
_ASKED = b"\x03" * 5  # no frame that a box is sent at its start holds so many together


def choose_board():
    """The board file named in /board.txt; the default board when there is none."""
    try:
        with open("board.txt") as f:
            name = f.read().strip()
    except OSError:
        name = "pico_w"
    return getattr(__import__("boards." + name), name)


def show(board, words):
    """The reason on the display; raises whatever stands in the way."""
    from drivers.display import Display
    from services.canvas import PAGES, Canvas, wrapped

    bus = machine.I2C(board.DISPLAY_I2C_ID, scl=machine.Pin(board.DISPLAY_SCL), sda=machine.Pin(board.DISPLAY_SDA),
                      freq=board.DISPLAY_I2C_HZ, timeout=3000)
    display = Display(bus, board.DISPLAY_ADDRESS)
    canvas = Canvas(display.buffer)
    canvas.centred("NO START", 0, 2, 2, 0xFF)
    for row, line in enumerate(wrapped(words)[: PAGES - 2]):
        canvas.text(line, 0, 2 + row)
    asyncio.run(display.show())


def asked_for_prompt(port, for_ms):
    """Listen for that long; True when five times Ctrl-C came, with nothing in between."""
    poll = select.poll()
    poll.register(port, select.POLLIN)
    begun_ms = time.ticks_ms()
    latest = b""
    while True:
        left_ms = for_ms - time.ticks_diff(time.ticks_ms(), begun_ms)
        if left_ms <= 0:
            return False
        if poll.poll(left_ms):
            latest = (latest + port.read(1))[-len(_ASKED) :]
            if latest == _ASKED:
                return True


def tell(board, error):
    """Returns when somebody asks for the prompt. A watchdog that was started already ends it with a reset."""
    gc.collect()  # it may have been the memory
    while True:
        try:
            print("The box did not start, and makes no pulses. Ctrl-C five times for the prompt. The reason:")
            sys.print_exception(error)
        except Exception:
            pass  # the display still tells
        if board is not None:
            try:
                show(board, "%s: %s" % (type(error).__name__, error))
            except Exception:
                board = None  # the display may be what is broken; the port still tells
        if asked_for_prompt(sys.stdin.buffer, _EVERY_MS):
            return


def main():
    board = None
    try:
        micropython.alloc_emergency_exception_buf(100)
        board = choose_board()
        if machine.Pin(board.ARM_PIN, machine.Pin.IN, machine.Pin.PULL_UP).value() == 0:
            print("arm button held at power-up: box not started")
        else:
            import box

            box.run(board)
    except BaseException as e:  # KeyboardInterrupt and SystemExit, too, would leave a dark box
        tell(board, e)
    micropython.kbd_intr(3)  # for the prompt


main()
