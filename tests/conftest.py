"""For all tests: what is drawn is the same each time, and nothing may fail because the machine is busy.

`BARBOX_FRESH=1 make test` draws anew: the examples of hypothesis, and the number that a session with a box begins with.
"""

import os
import random

import pytest
from hypothesis import settings

from barbox.link import client

FRESH = bool(os.environ.get("BARBOX_FRESH"))

settings.register_profile("barbox", deadline=None, derandomize=not FRESH)
settings.load_profile("barbox")


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item):
    if not FRESH:
        rng = random.Random(item.nodeid)
        client.draw_number = lambda: rng.randint(1, 0xFFFF)
