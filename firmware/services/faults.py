"""Requests about the log: stored events page by page, counters of faults, and forgetting them."""

from shared_proto import messages as m
from shared_proto.states import REFUSE_FLASH, REFUSE_NOT_LOCKED, REFUSE_OUT_OF_RANGE


class FaultRequests:
    """Answers from `log`; `frames()` gives (damaged, oversized) frames of all ports."""

    def __init__(self, control, log, frames):
        self._control = control
        self._log = log
        self._frames = frames

    def handlers(self):
        """For `Requests.also`."""
        return {m.LOG_GET.kind: self._page, m.FAULTS_GET.kind: self._faults}

    def _page(self, number, fields):
        return self._log.page(number, fields[0])

    def _faults(self, number, fields):
        answer = self._log.faults(number, *self._frames())
        if fields[0] == 0:
            return answer
        if fields[0] != 1:
            return m.REFUSED.pack(number, REFUSE_OUT_OF_RANGE)
        control = self._control
        if not control.controller.is_locked():  # and no pause under thrust: a step in it would make idle pulses
            return m.REFUSED.pack(number, REFUSE_NOT_LOCKED)
        control.pause(True)  # nothing arms while the flash is written
        try:
            if not control.controller.is_locked():  # it armed just before
                return m.REFUSED.pack(number, REFUSE_NOT_LOCKED)
            self._log.clear()
            control.controller.warnings.last_stop = 0
        except OSError:
            return m.REFUSED.pack(number, REFUSE_FLASH)
        finally:
            control.pause(False)
        return answer
