"""For all tests: hypothesis has no deadline, since nothing may fail because the machine is busy."""

from hypothesis import settings

settings.register_profile("barbox", deadline=None)
settings.load_profile("barbox")
