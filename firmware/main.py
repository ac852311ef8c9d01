"""Boot entry: choose the board and start the box on it; when that fails, say why, again and again.

It imports none of the box at its top, so that a damaged file, too, ends here: no pulses (the pins stay low), the
reason on the display if that can be, and on the port until somebody asks for the prompt with Ctrl-C.

With the arm button held while power comes on, the box is not started: no pulses, and the port is a plain
MicroPython prompt for repairs.
"""

import asyncio
import sys
import time

import machine
import micropython

_EVERY_MS = 2000


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


def tell(board, error):
    """Never returns but by Ctrl-C. A watchdog that was started already ends it with a reset."""
    while True:
        print("The box did not start, and makes no pulses. Ctrl-C for the prompt. The reason:")
        sys.print_exception(error)
        if board is not None:
            try:
                show(board, "%s: %s" % (type(error).__name__, error))
            except Exception:
                board = None  # the display may be what is broken; the port still tells
        time.sleep_ms(_EVERY_MS)


def main():
    micropython.alloc_emergency_exception_buf(100)
    board = None
    try:
        board = choose_board()
        if machine.Pin(board.ARM_PIN, machine.Pin.IN, machine.Pin.PULL_UP).value() == 0:
            print("arm button held at power-up: box not started")
            return
        import box

        box.run(board)
    except Exception as e:
        tell(board, e)


main()
