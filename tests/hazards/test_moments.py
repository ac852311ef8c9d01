"""The harness of the hazards: each thing that every run must keep, and each thing that tests ask, is seen to fail.

Most on a run that is made up, pulse by pulse; what comes from the plant on the simulated board.
"""

from types import SimpleNamespace

import pytest
from bench_host import FRAME_US, quick_values
from moments import SIDES, Run
from overlays import patched

from barbox.sim import vm
from barbox.sim.board import LEFT
from shared_proto import states

FULL_US, IDLE_US = 2000, 1000
BEFORE = 50  # frames before the strike


class Made:
    """A box that did nothing but make these pulses, the same on both sides unless `other` is given."""

    def __init__(self, widths_us, other=None):
        self._all = [[(n * FRAME_US, w) for n, w in enumerate(each) if w] for each in (widths_us, other or widths_us)]
        self.now_s = max(rise for rise, _ in self._all[0]) / 1e6 + 0.002

    def pulses(self, side):
        return self._all[side]

    def pulse_us(self, side):
        return self._all[side][-1][1]

    def screen_text(self):
        return ["HELD", "stop loop opened"]


def made(moment, after_us, before_us=FULL_US, other_us=None, **how):
    """A run at `moment` with pulses of `before_us` until the strike and of `after_us` from then on."""
    values = quick_values()
    values.put("side.curve", tuple(range(0, 1001, 100)), 0)
    values.put("side.curve", tuple(range(0, 1001, 100)), 1)
    run = Run(moment, values, **how)
    steady = [before_us] * BEFORE
    run.box = Made(steady + list(after_us), None if other_us is None else steady + list(other_us))
    run.struck_us = BEFORE * FRAME_US - 1
    run._since = [BEFORE, BEFORE]
    run._before_us = [before_us, before_us]
    run.host = SimpleNamespace(_fd=-1, events=[], state="HELD", cause="STOP_OPEN", waits="BUTTON")
    for n in range(100):
        run.truth.t_s.append(n * 0.05)
        run.truth.lowest_v.append(3.6)
    return run


def keeps(*args, **how):
    made(*args, **how).keeps_what_every_run_must()


def breaks(match, *args, **how):
    with pytest.raises(AssertionError, match=match):
        keeps(*args, **how)


def down(from_us, step_us, count=40):
    return [max(IDLE_US, from_us - step_us * n) for n in range(count)]


def test_thrust_above_that_of_the_strike_is_seen():
    keeps("cruise", [1500] * 40, before_us=1500)
    breaks("per mille", "cruise", [*[1500] * 20, 1506, *[1500] * 20], before_us=1500)
    breaks("per mille", "arming", [*[1000] * 20, 1005, 1000], before_us=1000)
    # The ramp of the quick settings is 2 s: 10 us a frame. It may go on for as long as there is doubt.
    climbing = [min(2000, 1500 + 10 * n) for n in range(40)]
    breaks("per mille", "pulling away", climbing, before_us=1500)
    keeps("pulling away", [min(w, 1590) for w in climbing], before_us=1500, doubt_ms=160)
    breaks("per mille", "pulling away", climbing, before_us=1500, doubt_ms=160)
    # Cutback gives back 30 per mille a second and no more.
    keeps("cutback", [1500 + 6 * n // 10 for n in range(40)], before_us=1500)
    breaks("per mille", "cutback", [1500 + 2 * n for n in range(40)], before_us=1500)
    # And what may rise does so no faster than the ramp.
    keeps("cruise", climbing, before_us=1500, rises=True)
    breaks("per mille", "cruise", [1500 + 12 * n for n in range(40)], before_us=1500, rises=True)


def test_sides_that_part_are_seen():
    breaks("apart", "cruise", [1500] * 40, 1500, [*[1500] * 39, 1501])
    breaks("without pulses", "cruise", [1500] * 40, 1500, [1500] * 10)
    keeps("cruise", [1500] * 40, 1500, [1500] * 10, together=False)


def test_a_section_below_its_floor_is_seen():
    run = made("cruise", [1500] * 40, before_us=1500)
    run.truth.lowest_v[10:20] = [3.24] * 10  # half a second is allowed
    run.keeps_what_every_run_must()
    run.truth.lowest_v[10:22] = [3.24] * 12
    with pytest.raises(AssertionError, match=r"below 3\.25 V"):
        run.keeps_what_every_run_must()


def test_a_run_in_which_nothing_struck_or_nobody_was_answered_is_none():
    run = made("cruise", [1500] * 40, before_us=1500)
    run.host._fd = 0
    with pytest.raises(AssertionError, match="not answered"):
        run.keeps_what_every_run_must()
    run.struck_us = None
    with pytest.raises(AssertionError, match="nothing struck"):
        run.keeps_what_every_run_must()


def test_idle_that_comes_late_or_pulses_that_end_are_seen():
    made("cruise", [*[1500] * 4, *[1000] * 40], before_us=1500).idle_within(80)
    with pytest.raises(AssertionError, match=r"81\.5 ms"):
        made("cruise", [*[1500] * 5, *[1000] * 40], before_us=1500).idle_within(80)
    ended = made("cruise", [1000] * 5, before_us=1500)
    ended.box.now_s += 0.1
    ended.idle_within(80, pulses_go_on=False)
    with pytest.raises(AssertionError):
        ended.idle_within(80)
    with pytest.raises(AssertionError):
        made("cruise", [*[1500] * 2, *[1000] * 20, 1001], before_us=1500).idle_within(80)


def test_thrust_that_is_dropped_or_eased_too_slowly_is_seen():
    made("full thrust", down(FULL_US, 67)).eased_to(0, told_within_ms=40)  # 0.3 s for the full span
    with pytest.raises(AssertionError, match="dropped"):
        made("full thrust", [IDLE_US] * 40).eased_to(0, told_within_ms=40)
    with pytest.raises(AssertionError, match="until"):
        made("full thrust", down(FULL_US, 40)).eased_to(0, told_within_ms=40)
    with pytest.raises(AssertionError, match="until"):
        made("full thrust", [max(w, 1310) for w in down(FULL_US, 67)]).eased_to(300, told_within_ms=40)
    made("full thrust", [max(w, 1300) for w in down(FULL_US, 67)]).eased_to(300, told_within_ms=40)


def test_what_is_not_told_or_told_late_or_otherwise_is_seen():
    run = made("cruise", [1000] * 40)
    with pytest.raises(AssertionError, match="not told"):
        run.told_within(100, "SENSE")
    event = [row[0] for row in states.EVENTS].index("SENSE")
    run.host.events.append(SimpleNamespace(event=event, a=3, b=1, time_ms=run.struck_us / 1000 + 150))
    run.told_within(200, "SENSE", 3, 1)
    with pytest.raises(AssertionError, match="150 ms"):
        run.told_within(100, "SENSE", 3, 1)
    for a, b in ((2, 1), (3, 2)):
        with pytest.raises(AssertionError, match="not told"):
            run.told_within(200, "SENSE", a, b)


def test_another_cause_or_words_that_are_not_shown_are_seen():
    run = made("cruise", [1000] * 40)
    run.ride = lambda seconds: None
    run.held("STOP_OPEN")
    with pytest.raises(AssertionError):
        run.held("GROUND")
    with pytest.raises(AssertionError):
        run.locked("BUTTON")
    run.host.cause = "GROUND"
    with pytest.raises(AssertionError, match="stop loop opened"):  # what is shown instead
        run.held("GROUND")


needs_vm = pytest.mark.skipif(not vm.available(), reason="needs the extra `sim`")


NO_CUTBACK = patched("core/cutback.py", r"self\.limit -= dt_us \* deficit_mv // band.*?\n", "pass\n")


@needs_vm
@pytest.mark.parametrize("overlay", [{}, NO_CUTBACK])
def test_a_box_that_does_not_cut_back_drags_a_section_below_its_floor(overlay):
    """A weak section at full thrust, with the cutback of the firmware and with one that does nothing."""
    with Run("full thrust", overlay=overlay) as run:
        run.strike(lambda box: box.weaken_section(LEFT, 0, charge=0.06, resistance_factor=3.0), seconds=3)
        eased = run.host.status.demand_pm < 500
        assert eased == (not overlay)
        if overlay:
            with pytest.raises(AssertionError, match=r"below 3\.25 V"):
                run.keeps_what_every_run_must()
            run.truth.lowest_v.clear()  # it has been seen
            run.truth.t_s.clear()


@needs_vm
def test_the_busiest_box_is_busier():
    """Many more requests are answered, and the step keeps its time."""
    answered, overruns = [], []
    for busiest in (False, True):
        with Run("cruise", busiest=busiest) as run:
            run.strike(lambda box: None, seconds=2)
            answered.append(run.answered)
            overruns.append(run.host.status.overruns)
            assert all(run.box.pulse_us(side) > IDLE_US for side in SIDES)
    assert answered[1] > 5 * answered[0] and overruns == [0, 0]
