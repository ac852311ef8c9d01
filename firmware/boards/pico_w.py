"""Default board: an RP2040 board with radio, strings over two I2C ADCs, lever on the chip's own ADC.

Pins by GPIO number. The ADC bus is not the display's.
"""

NAME = "pico_w"

ESC_PINS = (2, 3, 4, 5)  # one a side, external pull-downs
STOP_PIN = 6  # normally closed loop to ground
ARM_PIN = 7  # arm button to ground
LEVER_PINS = (26, 27)  # track A, track B

SENSE = "i2c"
I2C_ID = 0
I2C_SDA = 8  # data of the ADC bus
I2C_SCL = 9  # clock of the ADC bus
I2C_HZ = 400000
I2C_PARTS = (0x48, 0x49)  # sense inputs 1..4 and 5..8

# I2C1, the display's own bus; pins from the RP2040's function table (from memory).
DISPLAY_I2C_ID = 1
DISPLAY_SDA = 10
DISPLAY_SCL = 11
DISPLAY_I2C_HZ = 400000
DISPLAY_ADDRESS = 0x3C

SOUNDER_PIN = 12  # passive buzzer, through a transistor
