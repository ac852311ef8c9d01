"""What one control step reads and what it decides: two plain records, filled in place, never re-made."""

from array import array

from shared_proto.messages import SENSES_MAX, SIDES_MAX
from shared_proto.states import SENSE_SILENT


class Inputs:
    """Filled by the board's drivers before each step."""

    def __init__(self):
        self.code = array("i", [0] * SENSES_MAX)  # last ADC code of each sense input, signed
        self.reading = array("i", [0] * SENSES_MAX)  # counts the readings of each, so that a new one is seen
        self.no_reading = array("i", [SENSE_SILENT] * SENSES_MAX)  # why none comes, where none does: a sense fault
        self.again = -1  # sense input whose reading is in doubt: read it next, whoever's turn it is
        self.lever_a_mv = 0  # at the ADC pin
        self.lever_b_mv = 0
        self.stop_closed = False  # level of the stop loop now
        self.stop_tripped = False  # set by its interrupt since the last step
        self.button = False  # arm button pressed
        self.lever_switch = True  # rest switch of the lever closed: at rest
        self.brake = False  # brake pressed
        self.supply_mv = 0  # of the lever and the ESC signals
        self.speed_dmh = 0  # by the wheel sensor, 0.1 km/h
        self.tasks_fresh = True  # the tasks that matter have shown a heartbeat


class Outputs:
    """Left by each step for the drivers, the status stream and the screens."""

    def __init__(self):
        self.pulse_us = array("i", [1000] * SIDES_MAX)
        self.lever_pm = 0
        self.demand_pm = 0  # after limits and ramp
        self.limit = 0
        self.limit_pm = 0
        self.warnings = 0
