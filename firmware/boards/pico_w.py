"""Default board: an RP2040 board with radio, strings over two I2C ADCs, lever on the chip's own ADC.

Pins by GPIO number. The ADC bus is not the display's.
"""

NAME = "pico_w"

ESC_PINS = (2, 3, 4, 5)  # one a side, external pull-downs
STOP_PIN = 6  # normally closed loop to ground
ARM_PIN = 7  # arm button to ground
LEVER_PINS = (26, 27)  # track A, track B
BRAKE_PIN = 13  # brake switch to ground, closed while braking
REST_PIN = 14  # rest switch of the lever to ground, closed at rest
WHEEL_PIN = 15  # reed contact or open-drain hall to ground, one pulse a turn
SUPPLY_PIN = 28  # 5 V supply of lever and ESC signals, on the chip's own ADC
SUPPLY_RATIO = 2  # of its divider, two equal resistors

SENSE = "i2c"
I2C_ID = 0
I2C_SDA = 8  # data of the ADC bus
I2C_SCL = 9  # clock of the ADC bus
I2C_HZ = 400000
I2C_PARTS = (0x48, 0x49)  # sense inputs 1..4 and 5..8
# 40 ppm a kelvin at most (TI SBAS563), 25 K from where it was calibrated (common practice, no source)
REFERENCE_PPM = 1000

# I2C1, which the display has for itself; pins from the RP2040's function table (from memory).
DISPLAY_I2C_ID = 1
DISPLAY_SDA = 10  # data of the display's bus
DISPLAY_SCL = 11  # clock of the display's bus
DISPLAY_I2C_HZ = 400000
DISPLAY_ADDRESS = 0x3C

SOUNDER_PIN = 12  # passive buzzer, through a transistor
