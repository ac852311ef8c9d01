"""What things cost on the board, in microseconds of virtual time.

Measured on MicroPython's own RP2040 build at 125 MHz in an emulator that models the flash cache; a real board
may differ by some tens of per cent on a single line. Nothing here has been measured on a physical board.
The entries of the second part are declared: estimates of whole pieces of firmware, by their operations.
"""

US = {
    # Calls into the hardware modules, with the interpreter's share.
    "adc_read": 6,
    "pin": 5,
    "pio": 12,
    "pwm": 12,
    "ticks": 5,
    "i2c_call": 40,  # before the bits on the bus
    "i2c_bit_x100": 250,  # 2.5 us a bit at 400 kHz, times 100
    "i2c_make": 60,  # to make the I2C object, once more after a recovery; declared
    "stdout_call": 10,
    "stdout_byte_x100": 83,  # 50 us for 48 bytes
    "stdin_byte": 12,
    "gc_base": 1450,  # a collection with 15,000 bytes live ...
    "gc_base_bytes": 15000,
    "gc_kilobyte": 198,  # ... and for each further 1,000: 13,300 us at 75,000
    "flash_erase": 46000,  # one 4 KB sector, typical
    "flash_program": 400,  # one 256-byte page, typical
    "flash_read": 20,
    "timer": 30,  # to get a soft callback started
    "irq": 5,  # to get a hard interrupt started
    # Declared.
    "step": 2000,  # core.controller.Controller.step: the estimate of `make bench`, and a tenth
    "glyph": 900,  # services.canvas.Canvas.stretch, one large letter
    "wakeup": 400,  # one wake-up of a task, with the work it typically does
}
