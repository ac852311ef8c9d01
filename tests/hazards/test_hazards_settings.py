"""Settings that a host sets wrong: no fan turns by them, whatever they are."""

import binascii
import struct

import pytest
from bench_host import IDLE_US, Host, above_idle, make_box, quick_values, us
from overlays import patched

from barbox.sim.board import LEFT, RIGHT, settings_slot
from shared_proto import messages, states
from shared_proto.settings import BOX, CELL_MOST_MV, HARMLESS, SETTINGS

NAMES = [((s.group + "." if s.group else "") + s.name, s) for s in SETTINGS]
DONE = messages.DONE.kind


def wrong_values(setting):
    """The ends of what a setting may be, as far as the table lets them."""
    if setting.code[-1] == "s":
        return b"", b"wrong"
    many = int(setting.code[:-1] or "1")
    ends = (setting.low, setting.high)
    return [v if many == 1 else (v,) * many for v in ends] + ([(0,) + (setting.high,) * (many - 1)] if many > 1 else [])


def test_a_setting_that_a_host_sets_wrong():
    """Each row of the table in turn, to both its ends, LOCKED, with the lever half open and the button held."""
    with make_box(quick_values(stream_hz=25)) as box, Host(box) as host:
        box.advance(1.0)
        box.move_lever(500)
        box.press_arm_button()
        taken = 0
        for name, setting in NAMES:
            for index in {0, setting.count - 1}:
                before = host.get(name, index)
                for value in wrong_values(setting):
                    answer = host.put(name, value, index)
                    if setting.danger == BOX and value != 0:
                        assert answer.reason == states.REFUSE_BOX_ALONE, name
                    if answer.kind == DONE and host.request(messages.SETTING_COMMIT).kind == DONE:
                        taken += 1
                        host.ride(0.1)
                        assert host.state == "LOCKED", name
                        assert [box.pulse_us(side) for side in (LEFT, RIGHT)] == [IDLE_US, IDLE_US], (name, value)
                    host.request(messages.SETTING_DROP)
                if host.get(name, index) != before and setting.danger != BOX:
                    assert host.put(name, before, index).kind == DONE
                    assert host.request(messages.SETTING_COMMIT).kind == DONE, name
        assert taken > len(SETTINGS)
        host.ride(1.0)
        assert not above_idle(box, LEFT) and not above_idle(box, RIGHT) and max(box.thrust_n(0), box.thrust_n(1)) == 0


def test_a_setting_that_comes_over_the_air():
    """A link that is not a cable: nothing is taken but what is harmless."""
    overlay = patched("box.py", r"wired=True", "wired=False")
    with make_box(overlay=overlay) as box, Host(box) as host:
        box.advance(1.0)
        for name, setting in NAMES:
            answer = host.put(name, host.get(name))
            if setting.danger == HARMLESS:
                assert answer.kind == DONE, name
            else:
                assert answer.reason == states.REFUSE_WIRED_ONLY, name


def test_new_end_points():
    """Kept until the power is cut, no arming meanwhile, the proof gone; then told before the first pulse, once."""
    with make_box(quick_values(stream_hz=25)) as box, Host(box) as host:
        box.advance(1.0)
        assert host.put("side.idle_us", 1200).kind == host.put("side.full_us", 2100, 1).kind == DONE
        assert host.request(messages.SETTING_COMMIT).kind == DONE
        host.ride(1.0)
        assert box.pulse_us(LEFT) == IDLE_US and box.thrust_n(LEFT) == 0
        assert (host.state, host.waits) == ("LOCKED", "RESTART")
        assert [host.get("side.proven", n) for n in (0, 1)] == [0, 0]
        # No message brings it into force, nor what a message may bring about.
        box.stall_processor(3.0)
        host.ride(7.0)  # longer than the reset, and than new end points would be shown
        assert [cause for _, cause in box.resets] == ["watchdog"]
        assert host.status.time_ms < 7000 and (host.waits, box.pulse_us(LEFT)) == ("RESTART", IDLE_US)
        assert not host.events_of("IDLE_CHANGED")
        box.power_off()
        box.power_on()
        began_us = us(box)
        host.ride(1.5)
        assert not [rise for side in (LEFT, RIGHT) for rise, _ in box.pulses(side) if rise > began_us]
        words = " ".join(box.screen_text())
        assert "NEW IDLE" in words and "left" in words and "1000 > 1200 us" in words
        host.ride(3.0)
        assert (box.pulse_us(LEFT), box.pulse_us(RIGHT)) == (1200, IDLE_US)
        told = [(e.a, e.b) for e in host.events_of("IDLE_CHANGED")]
        assert told == [(1 << 12 | 1000, 1200)] and host.waits != "RESTART"
        box.power_off()
        box.power_on()
        host.ride(1.5)
        assert box.pulse_us(LEFT) == 1200 and len(host.events_of("IDLE_CHANGED")) == 1


@pytest.mark.parametrize("how", ["of another box", "a bit of the flash"])
def test_a_stop_proof_that_nobody_made(how):
    """Settings that say "proved", from another box or made up: the cap stays."""
    values = quick_values(stream_hz=25)
    if how == "of another box":
        for n in (0, 1):
            values.put("side.proof_run", 77, n)
            values.put("side.proof_mark", binascii.crc32(b"another"), n)
    with make_box(overlay={"settings.b": _newer(settings_slot(values))}) as box, Host(box) as host:
        box.advance(1.0)
        host.ride(0.5)
        assert "UNPROVEN" in host.warnings and [host.get("side.proven", n) for n in (0, 1)] == [0, 0]
        assert host.put("side.proven", 1).reason == states.REFUSE_BOX_ALONE
        assert host.request(messages.BENCH_PROVE, 77, 1).reason == states.REFUSE_NOT_SEEN


def _newer(slot: bytes) -> bytes:
    body = slot[:4] + struct.pack("<I", 9) + slot[8:-4]
    return body + struct.pack("<I", binascii.crc32(body))


def test_a_calibration_far_from_its_divider():
    """Half the gain and an offset that makes up for it at full: 3.10 V a cell would read as 3.53."""
    with make_box() as box, Host(box) as host:
        box.advance(1.0)
        nominal = host.get("sense.nv_per_count", 1)
        half_mv = CELL_MOST_MV * 10 // 2
        assert host.put("sense.nv_per_count", nominal // 2, 1).kind == DONE
        assert host.put("sense.offset_mv", half_mv, 1).kind == DONE
        assert host.request(messages.SETTING_COMMIT).reason == states.REFUSE_CONFLICT
        assert host.get("sense.offset_mv", 1) == 0


def test_a_settings_slot_that_rots():
    """The newer slot is damaged, so the older stands: told, until settings are written again."""
    good = settings_slot(quick_values(stream_hz=25))
    rotten = bytearray(_newer(good))
    rotten[100] ^= 1
    with make_box(quick_values(stream_hz=25), overlay={"settings.b": bytes(rotten)}) as box, Host(box) as host:
        box.advance(1.0)
        host.ride(0.5)
        assert "SETTINGS" in host.warnings
        assert (states.PART_STORE, 1) in [(e.a, e.b) for e in host.events_of("ERROR")]
        assert host.put("stream_hz", 20).kind == host.request(messages.SETTING_COMMIT).kind == DONE
        host.ride(0.5)
        assert "SETTINGS" not in host.warnings
