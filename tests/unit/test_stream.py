"""A status is all of one step, though a step may come in between any two bytecodes of the task that packs it."""

from types import SimpleNamespace

from desk import STEP_US, Desk, rig_values

from barbox import proto
from services.estimate import Estimator
from services.stream import Stream
from shared_proto import states


class Interrupted:
    """Voltages of the sense inputs; a step comes in while they are read, so many times."""

    def __init__(self, mv, step, times):
        self.mv = mv
        self.step = step
        self.times = times

    def __iter__(self):
        if self.times:
            self.times -= 1
            self.step()
        return iter(self.mv)


def status_with_steps_between(times):
    """Of a box whose stop loop opens in the very frame that is packed."""
    desk = Desk(rig_values(proven=True))
    desk.arm()
    c = desk.controller
    assert c.interlock.state == states.READY
    control = SimpleNamespace(controller=c, take_times=lambda: (3, 4))
    stream = Stream(control, None, SimpleNamespace(unix_s=lambda ms: 0), None, Estimator(), None)

    sense = c.sense

    def step():
        c.inputs.stop_closed = False
        c.sense = sense
        c.step(STEP_US)
        c.sense = torn

    torn = SimpleNamespace(mv=Interrupted(sense.mv, step, times), fault=sense.fault, current_da=sense.current_da)
    c.sense = torn
    return c, proto.unpack(stream.status())


def test_a_step_in_the_middle_is_packed_again():
    c, status = status_with_steps_between(1)
    assert (status.time_ms, status.state, status.cause) == (c.now_ms, states.HELD, states.CAUSE_STOP_OPEN)
    assert (status.number, status.late_us, status.step_us) == (1, 3, 4)


def test_it_ends_whatever_comes_in():
    c, status = status_with_steps_between(100)
    assert status.number == 1 and c.sense.mv.times == 97
