"""Second board: an RP2040 board without radio, everything on the chip's own ADC.

Three ADC pins: two string tops and a lever with a single track. No taps, 12 bits referred to the 3.3 V rail:
about ten times less certain than the default board.
"""

NAME = "pico"

ESC_PINS = (2, 3, 4, 5)  # one a side, external pull-downs
STOP_PIN = 6  # normally closed loop to ground
ARM_PIN = 7  # arm button to ground
LEVER_PINS = (28,)  # a single track, so thrust is capped
BRAKE_PIN = 13  # brake switch to ground, closed while braking
REST_PIN = 14  # rest switch of the lever to ground, closed at rest
WHEEL_PIN = 15  # reed contact or open-drain hall to ground, one pulse a turn
SUPPLY_PIN = None  # no ADC pin is left for it
SUPPLY_RATIO = 2

SENSE = "chip"
SENSE_PINS = (26, 27)  # sense inputs 1 and 2
REFERENCE_PPM = 10000  # the 3.3 V rail: 1 % after calibration (common practice, no source)

# I2C1, which the display has for itself; pins from the RP2040's function table (from memory).
DISPLAY_I2C_ID = 1
DISPLAY_SDA = 10  # data of the display's bus
DISPLAY_SCL = 11  # clock of the display's bus
DISPLAY_I2C_HZ = 400000
DISPLAY_ADDRESS = 0x3C

SOUNDER_PIN = 12  # passive buzzer, through a transistor
