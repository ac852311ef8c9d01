"""The core on a desk: settings of a rig with two sides, and inputs as the drivers would leave them."""

from core.controller import Controller
from core.inputs import Inputs
from shared_proto.settings import Values, conflict

STEP_US = 20000
A_REST_MV, A_FULL_MV, B_REST_MV, B_FULL_MV = 550, 2750, 275, 1375  # the defaults of the settings table
POINTS = ((0, 1, 5), (1, 1, 10), (4, 2, 5), (5, 2, 10))  # sense input from 0, side from 1, cells below
NV_PER_COUNT = 2_000_000


def rig_values(proven=True, points=POINTS, **plain):
    """Settings of a rig of two sides of ten cells, sensed at `points`."""
    values = Values()
    values.put("rig", b"desk")
    for n in range(8):
        values.put("sense.side", 0, n)
    for n, side, cells in points:
        values.put("sense.side", side, n)
        values.put("sense.cells", cells, n)
        values.put("sense.nv_per_count", NV_PER_COUNT, n)
        values.put("sense.nominal_nv", NV_PER_COUNT, n)
        values.put("sense.calibrated", 1, n)
    for side in range(2):
        values.put("side.cells", 10, side)
        values.put("side.proven", int(proven), side)
    for name, value in plain.items():
        values.put(name, value)
    assert conflict(values) == ""
    return values


def give_mv(inputs: Inputs, n: int, mv: float):
    """A new reading of sense input `n` (from 0)."""
    inputs.code[n] = max(0, round(mv * 1_000_000 / NV_PER_COUNT))
    inputs.reading[n] += 1


def lever_mv(inputs: Inputs, position_pm: float):
    """Both tracks at a position of the travel."""
    inputs.lever_a_mv = round(A_REST_MV + (A_FULL_MV - A_REST_MV) * position_pm / 1000)
    inputs.lever_b_mv = round(B_REST_MV + (B_FULL_MV - B_REST_MV) * position_pm / 1000)


class Desk:
    """A controller with its inputs; `step` gives every sense input a fresh reading of healthy cells."""

    def __init__(self, values=None, cell_mv=3900):
        self.values = values or rig_values()
        self.controller = Controller()
        self.controller.configure(self.values)
        self.inputs = self.controller.inputs
        self.inputs.stop_closed = True
        self.cell_mv = [cell_mv] * 2
        self.lever_pm = 0
        self.events = []

    def step(self, count=1, dt_us=STEP_US):
        for _ in range(count):
            for n, side, cells in POINTS:
                give_mv(self.inputs, n, self.cell_mv[side - 1] * cells)
            lever_mv(self.inputs, self.lever_pm)
            self.controller.step(dt_us)
            while (event := self.controller.events.take()) is not None:
                self.events.append(event)

    def run_s(self, seconds):
        self.step(round(seconds * 1_000_000 / STEP_US))

    def test_stop(self):
        self.inputs.stop_closed = False
        self.step(5)
        self.inputs.stop_closed = True

    def arm(self):
        """The whole order; ends READY with the button up."""
        self.lever_pm = 0
        self.test_stop()
        self.run_s(3.1)
        self.inputs.button = True
        self.run_s(1.1)
        self.inputs.button = False
        self.step()

    @property
    def state(self):
        return self.controller.interlock.state

    @property
    def waits(self):
        return self.controller.interlock.waits

    @property
    def demand_pm(self):
        return self.controller.outputs.demand_pm

    @property
    def pulses(self):
        return list(self.controller.outputs.pulse_us)[: self.controller.sides]
