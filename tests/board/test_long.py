"""Hours of the whole box with every task running and a host that listens: the heap does not fill up.

One virtual hour here; BARBOX_LONG_HOURS=10 is the long one.
"""

import os

import numpy as np
from bench_host import Host, arm, make_box
from overlays import patched

from barbox.sim.board import LEFT, RIGHT

HOURS = float(os.environ.get("BARBOX_LONG_HOURS", "1"))
MINUTE_S = 60
SETTLED = 12  # minutes until all that grows once has grown: buffers, the first of each screen


def free_bytes_by_minute(minutes, **options):
    """Free heap after the box's latest collection, asked for each minute. It rides at 25 and 55 %, rests at times, and
    the rider stops and arms again every ten minutes."""
    told = []
    with make_box(**options) as box, Host(box) as host:
        box.advance(1)
        for minute in range(minutes):
            if minute % 10 == 0:
                box.move_lever(0)
                box.advance(1)
                box.open_stop_loop()
                box.advance(0.2)
                box.close_stop_loop()
                box.press_arm_button()  # out of HELD
                box.advance(0.2)
                box.release_arm_button()
                arm(box)
            for lever in (550, 250, 0):
                box.move_lever(lever)
                host.ride(MINUTE_S / 3, slice_s=1)
            for side in (LEFT, RIGHT):
                box.plant.set_charge(side, 0.9)
            host.statuses.clear()
            host.events.clear()
            host.raw.clear()
            told.append(host.hello().heap_free_bytes)
    return told


def slope_and_noise(free_bytes):
    """Least squares: bytes an hour, and the standard error of that figure (ordinary least squares, any text on
    linear regression)."""
    hours = np.arange(len(free_bytes)) * MINUTE_S / 3600
    (slope, _), covariance = np.polyfit(hours, free_bytes, 1, cov=True)
    return slope, float(np.sqrt(covariance[0, 0]))


def test_the_free_heap_does_not_fall():
    told = free_bytes_by_minute(round(60 * HOURS))
    slope, noise = slope_and_noise(told[SETTLED:])
    print(f"{HOURS:g} h: {told[SETTLED]:,} to {told[-1]:,} bytes free, {slope:+.0f} +/- {noise:.0f} bytes an hour")
    assert min(told) > 60_000  # below this the box would have to collect under thrust
    assert slope >= -3 * noise - 16  # one block of the heap an hour is nothing


def test_a_small_leak_is_seen():
    leak = patched(
        "services/house.py",
        r"(            rounds \+= 1\n)",
        r"\1            self.kept = [getattr(self, 'kept', None)]\n",
    )
    told = free_bytes_by_minute(6, overlay=leak)
    slope, noise = slope_and_noise(told[2:])
    assert slope < -10 * noise - 1000
