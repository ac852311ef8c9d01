"""When the sounder plays what, at the desk: the service with a made-up controller and the time in hand."""

from types import SimpleNamespace

import pytest

from services.sounds import PATTERNS, Sounds
from shared_proto import states as s

NAMES = [row[0] for row in PATTERNS]


class Ride:
    """A made-up controller, looked at every 200 ms as the service does."""

    def __init__(self, start_ms=0):
        self.inputs = SimpleNamespace(button=False)
        self.outputs = SimpleNamespace(warnings=0)
        self.interlock = SimpleNamespace(state=s.LOCKED, waits=s.WAIT_STOP_TEST)
        self.sounds = Sounds(self, None)
        self.now_ms = start_ms

    def hear(self, seconds, step_ms=200):
        """[(ms from now, name)] of what begins meanwhile; each pattern takes its time."""
        began_ms = self.now_ms
        heard = []
        elapsed_ms = 0
        while elapsed_ms < 1000 * seconds:
            what = self.sounds.due((began_ms + elapsed_ms) & 0x3FFFFFFF)
            if what >= 0:
                heard.append((elapsed_ms, NAMES[what]))
                elapsed_ms += sum(ms for _, ms in PATTERNS[what][1])
            else:
                elapsed_ms += step_ms
        self.now_ms = (began_ms + elapsed_ms) & 0x3FFFFFFF
        return heard

    def names(self, seconds):
        return [name for _, name in self.hear(seconds)]


@pytest.fixture
def ride():
    return Ride()


def armed():
    ride = Ride()
    ride.interlock.state = s.READY
    ride.hear(1)
    ride.interlock.state = s.DRIVING
    assert ride.names(60) == []
    return ride


def test_patterns_are_distinct_short_and_bounded():
    assert len({row[1] for row in PATTERNS}) == len(PATTERNS)
    for name, pattern, again_ms in PATTERNS:
        took_ms = sum(ms for _, ms in pattern)
        assert took_ms <= 1500, name
        assert again_ms == 0 or again_ms > 2 * took_ms, name
        # The port's PWM begins at 8 Hz and the ear's best octaves end at 4 kHz (from memory).
        assert all(hz == 0 or 1000 <= hz <= 4000 for hz, _ in pattern), name
        assert pattern[0][0] and pattern[-1][0], name


def test_silent_while_all_is_well(ride):
    for state in (s.LOCKED, s.BENCH, s.SERVICE):
        ride.interlock.state = state
        assert ride.names(60) == []
    ride.outputs.warnings = s.WARN_UNCALIBRATED | s.WARN_UNPROVEN
    assert ride.names(60) == []
    armed()


def test_armed_once(ride):
    ride.interlock.state = s.READY
    assert ride.names(30) == ["ARMED"]


def test_armed_even_when_the_lever_moves_at_once(ride):
    ride.interlock.state = s.DRIVING
    assert ride.names(30) == ["ARMED"]


def test_refused_once_for_each_press(ride):
    ride.hear(1)
    for _ in range(2):
        ride.inputs.button = True
        assert ride.names(3) == ["REFUSED"]
        ride.inputs.button = False
        assert ride.names(3) == []


def test_a_press_that_may_arm_is_not_refused(ride):
    ride.hear(1)
    ride.interlock.waits = s.WAIT_BUTTON
    ride.inputs.button = True
    assert ride.names(0.8) == []


def test_a_press_that_disarms_is_not_refused(ride):
    ride.interlock.state = s.READY
    ride.hear(3)
    ride.inputs.button = True
    ride.interlock.state, ride.interlock.waits = s.LOCKED, s.WAIT_ESC_IDLE
    assert ride.names(5) == []


@pytest.mark.parametrize("bit, name, every_s", [(s.WARN_LOW, "LOW", 30), (s.WARN_VERY_LOW, "VERY_LOW", 10)])
@pytest.mark.parametrize("start_ms", [0, 0x3FFFFFFF - 25_000])  # the second wraps on the way
def test_low_stages_repeat_while_they_last(bit, name, every_s, start_ms):
    ride = Ride(start_ms)
    ride.interlock.state = s.DRIVING
    ride.hear(5)
    ride.outputs.warnings = bit | s.WARN_LOW
    heard = ride.hear(95)
    assert {n for _, n in heard} == {name}
    times = [t for t, _ in heard]
    assert times[0] == 0
    assert all(1000 * every_s <= b - a < 1000 * every_s + 2000 for a, b in zip(times, times[1:], strict=False))
    ride.outputs.warnings = 0
    assert ride.names(60) == []


@pytest.mark.parametrize("bit, name", [(s.WARN_CUTBACK, "CUTBACK"), (s.WARN_SENSE, "SENSE"), (s.WARN_SIDE, "SIDE")])
def test_faults_and_cutback_are_told_when_they_begin(bit, name):
    ride = armed()
    for _ in range(2):
        ride.outputs.warnings = bit
        assert ride.names(60) == [name]
        ride.outputs.warnings = 0
        assert ride.names(10) == []


def test_held_repeats_until_it_is_left():
    ride = armed()
    ride.interlock.state = s.HELD
    assert ride.names(21) == ["HELD"] * 5
    ride.interlock.state = s.LOCKED
    assert ride.names(30) == []


def test_the_most_urgent_comes_first_and_the_others_follow():
    ride = armed()
    ride.outputs.warnings = s.WARN_LOW | s.WARN_CUTBACK | s.WARN_SENSE | s.WARN_SIDE
    assert ride.names(6) == ["CUTBACK", "SENSE", "SIDE", "LOW"]
    ride.outputs.warnings |= s.WARN_VERY_LOW
    ride.interlock.state = s.HELD
    assert ride.names(4) == ["HELD", "VERY_LOW"]


def test_what_waited_too_long_is_news_no_more():
    ride = armed()
    ride.outputs.warnings = s.WARN_SENSE | s.WARN_CUTBACK
    assert NAMES[ride.sounds.due(ride.now_ms)] == "CUTBACK"
    ride.now_ms += 10_000  # as if something had held the task up
    assert ride.names(5) == []
