"""A pack negative that is sensed: what its heavy wire drops eases, holds or is warned of."""

from desk import STEP_US, Desk, rig_values

from shared_proto.settings import NEGATIVE
from shared_proto.states import CAUSE_GROUND, DRIVING, HELD, LOCKED, WARN_GROUND


class Grounded(Desk):
    """A desk with the left pack's negative sensed at input 2 (from 0)."""

    NEGATIVE_INPUT = 2

    def __init__(self, **plain):
        values = rig_values(**plain)
        for name, value in (("side", 1), ("kind", NEGATIVE), ("nv_per_count", 125_000)):
            values.put(f"sense.{name}", value, self.NEGATIVE_INPUT)
        super().__init__(values)
        self.mohm = 1

    def step(self, count=1, dt_us=STEP_US):
        for _ in range(count):
            counts = round(0.8 * self.mohm * self.demand_pm)  # 100 A at full, 8 counts a mV
            self.inputs.code[self.NEGATIVE_INPUT] = -min(counts, 32768)
            self.inputs.reading[self.NEGATIVE_INPUT] += 1
            self.cell_mv = [3900 - self.demand_pm // 10] * 2
            super().step(1, dt_us)


def test_a_heavy_negative_that_opens_eases_thrust_and_holds_the_box():
    desk = Grounded()
    desk.arm()
    desk.lever_pm = 800
    desk.run_s(5)
    before_pm = desk.demand_pm
    assert before_pm > 780
    desk.mohm = 100
    desk.step(3)
    assert before_pm - 140 <= desk.demand_pm < before_pm and desk.state == DRIVING  # down the ramp, not dropped
    desk.step(20)
    assert (desk.state, desk.controller.interlock.cause, desk.demand_pm) == (HELD, CAUSE_GROUND, 0)
    # Without current nothing is to be seen any more, and the box stays held.
    desk.run_s(5)
    assert (desk.state, desk.controller.interlock.cause) == (HELD, CAUSE_GROUND)
    desk.lever_pm = 0
    desk.run_s(1)
    desk.inputs.button = True
    desk.step(2)
    assert desk.state == LOCKED


def test_a_ground_that_reads_well_again_while_thrust_is_eased_still_holds():
    """Down a ramp of 2 s the drop is soon believable again: thrust must not come back for it, and go, and come back."""
    desk = Grounded(ramp_down_ms=2000)
    desk.arm()
    desk.lever_pm = 1000
    desk.run_s(5)
    desk.mohm = 3
    before_pm = desk.demand_pm
    for _ in range(110):
        desk.step()
        assert desk.demand_pm <= before_pm
        before_pm = desk.demand_pm
    assert (desk.state, desk.controller.interlock.cause, desk.demand_pm) == (HELD, CAUSE_GROUND, 0)


def test_a_heavy_negative_that_drops_nearly_too_much_is_warned_of_before_it_holds():
    """100 A at full: up to 2.4 milliohm in silence, up to 2.8 with a warning that stays for a while, beyond it HELD."""
    for mohm, warned, held in ((2.3, False, False), (2.5, True, False), (2.7, True, False), (3.0, True, True)):
        desk = Grounded()
        desk.mohm = mohm
        desk.arm()
        desk.lever_pm = 1000
        desk.run_s(8)
        assert bool(desk.controller.outputs.warnings & WARN_GROUND) == warned
        assert (desk.state == HELD) == held
        desk.lever_pm = 0
        if not held:  # where it has long been over
            desk.run_s(8)
            assert bool(desk.controller.outputs.warnings & WARN_GROUND) == warned
        desk.run_s(11)
        assert not desk.controller.outputs.warnings & WARN_GROUND
