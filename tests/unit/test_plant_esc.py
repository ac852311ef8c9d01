"""The simulated ESC: arming, loss of pulses, restart, cutoff, learning (common practice, no source)."""

import pytest

from barbox.sim.plant import EscSpec
from barbox.sim.plant.esc import CUT, HOLDING, LEARNING, OFF, RUNNING, WAITING, Esc


def run(esc: Esc, seconds: float, pulse: int | None, volts: float = 40.0, dt: float = 0.02) -> float:
    duty = esc.duty
    for _ in range(round(seconds / dt)):
        duty = esc.step(dt, pulse, volts)
    return duty


def armed(spec: EscSpec | None = None) -> Esc:
    esc = Esc(spec or EscSpec())
    run(esc, 1.6, 1000)
    assert esc.state == RUNNING
    return esc


@pytest.mark.parametrize(("seconds", "state"), [(1.46, WAITING), (1.52, RUNNING)])
def test_arms_after_one_and_a_half_seconds_of_idle(seconds, state):
    esc = Esc(EscSpec())
    assert run(esc, seconds, 1000) == 0.0
    assert esc.state == state


def test_does_not_arm_on_thrust_nor_on_idle_with_breaks():
    esc = Esc(EscSpec())
    assert run(esc, 10.0, 1100) == 0.0
    for _ in range(5):
        run(esc, 1.4, 1000)
        run(esc, 0.2, None)
    for _ in range(5):
        run(esc, 1.4, 1000)
        run(esc, 0.02, 1200)
    assert esc.state == WAITING


def test_arms_when_it_is_stepped_between_frames():
    esc = Esc(EscSpec())
    for _ in range(80):
        esc.step(0.005, 1000, 40.0)
        run(esc, 0.015, None, dt=0.005)
    assert esc.state == RUNNING


def test_follows_the_pulse_between_its_end_points():
    esc = armed(EscSpec(idle_us=1100, full_us=1900, idle_seen_us=1150))
    for pulse, duty in ((1100, 0.0), (1150, 0.0), (1300, 0.25), (1500, 0.5), (1900, 1.0), (2100, 1.0)):
        assert esc.step(0.02, pulse, 40.0) == pytest.approx(duty)


def test_holds_its_last_command_then_stops_and_wants_idle():
    esc = armed(EscSpec(hold_s=0.5))
    run(esc, 0.2, 1600)
    assert run(esc, 0.48, None) == pytest.approx(0.6)
    assert esc.state == HOLDING
    assert run(esc, 0.06, None) == 0.0
    assert run(esc, 3.0, 1600) == 0.0
    run(esc, 1.6, 1000)
    assert run(esc, 0.02, 1600) == pytest.approx(0.6)


def test_a_short_gap_changes_nothing():
    esc = armed()
    run(esc, 0.2, 1600)
    run(esc, 0.2, None)
    assert run(esc, 0.02, 1700) == pytest.approx(0.7)
    assert esc.state == RUNNING


@pytest.mark.parametrize("width", [0, 300, 2500, 20000])
def test_what_is_no_servo_pulse_is_no_pulse(width):
    esc = armed()
    run(esc, 0.2, 1600)
    assert run(esc, 0.4, width) == 0.0
    assert esc.state == WAITING


def test_stays_off_after_a_restart_until_it_sees_idle():
    esc = armed()
    run(esc, 0.2, 1600)
    esc.restart()
    assert run(esc, 5.0, 1600) == 0.0
    run(esc, 1.6, 1000)
    assert run(esc, 0.02, 1600) > 0.0


def test_loses_its_supply():
    esc = armed()
    run(esc, 0.2, 1600)
    assert run(esc, 0.02, 1600, volts=5.0) == 0.0
    assert esc.state == OFF
    assert run(esc, 1.0, 1600) == 0.0
    assert esc.state == WAITING


def test_own_cutoff_is_off_unless_asked_for():
    assert run(armed(), 0.2, 1600, volts=12.0) == pytest.approx(0.6)
    esc = armed(EscSpec(cutoff_v=33.0))
    assert run(esc, 0.2, 1600, volts=34.0) == pytest.approx(0.6)
    assert run(esc, 0.02, 1600, volts=32.0) == 0.0
    assert run(esc, 1.0, 1600, volts=40.0) == 0.0
    assert esc.state == CUT
    run(esc, 0.02, 1000)
    assert run(esc, 0.02, 1600) == pytest.approx(0.6)


def test_full_at_power_up_is_a_lesson_in_end_points():
    esc = Esc(EscSpec(learns_end_points=True))
    assert run(esc, 2.1, 1950) == 0.0
    assert esc.state == LEARNING
    run(esc, 1.6, 1040)
    assert run(esc, 0.02, 1950) == pytest.approx(1.0)
    assert run(esc, 0.02, 1495) == pytest.approx(0.5)
    assert run(esc, 0.02, 1090) == 0.0


def test_no_lesson_after_idle_was_seen():
    esc = Esc(EscSpec(learns_end_points=True))
    run(esc, 0.1, 1000)
    run(esc, 5.0, 2000)
    assert esc.state == WAITING


def test_end_points_in_the_wrong_order_are_refused():
    with pytest.raises(ValueError, match="idle_us <= idle_seen_us < full_us"):
        EscSpec(idle_us=1100)
    with pytest.raises(ValueError, match="hold_s"):
        EscSpec(hold_s=0.0)
