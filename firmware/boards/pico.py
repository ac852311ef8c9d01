"""Second board: an RP2040 board without radio, everything on the chip's own ADC.

Three ADC pins: two string tops and a lever with a single track. No taps, 12 bits referred to the 3.3 V rail:
about ten times less certain than the default board.
"""

NAME = "pico"

ESC_PINS = (2, 3, 4, 5)  # one a side, external pull-downs
STOP_PIN = 6  # normally closed loop to ground
ARM_PIN = 7  # arm button to ground
LEVER_PINS = (28,)  # a single track, so thrust is capped

SENSE = "chip"
SENSE_PINS = (26, 27)  # sense inputs 1 and 2
