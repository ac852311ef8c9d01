"""Requests from a host to answers. Nothing here can arm the box or move a fan; what a bench run adds (see
services.bench_requests) can do so only with hands at the box, and never over the air."""

from services.uncertainty import Uncertainty
from shared_proto import messages as m
from shared_proto.settings import BOX, HARMLESS, SETTINGS, TABLE_CRC, conflict, settle
from shared_proto.states import (
    EVENT_SETTINGS,
    REFUSE_BAD_REQUEST,
    REFUSE_BOX_ALONE,
    REFUSE_CONFLICT,
    REFUSE_FLASH,
    REFUSE_NOT_LOCKED,
    REFUSE_OUT_OF_RANGE,
    REFUSE_UNKNOWN_REQUEST,
    REFUSE_UNKNOWN_SETTING,
    REFUSE_WIRED_ONLY,
)

FIRMWARE = b"0.1.0"


class Requests:
    """`answer(body, wired)` gives the body to send back, None for none. A retry (same kind and number, same sort of
    link) gets the same answer again."""

    def __init__(self, control, store, clock, board, serial, reset, free_bytes, reference_ppm):
        self._control = control
        self._store = store
        self._clock = clock
        self._board = board
        self._serial = serial
        self._reset = reset
        self._free_bytes = free_bytes
        self._reference_ppm = reference_ppm  # drift of the board's ADC reference
        self._draft = None  # settings put and not committed
        self._wired = False  # whether the request under way came by wire
        self._draft_wired = False  # whether the draft holds what is taken by wire only
        self.wired_only = {}  # kind -> what does it, for requests that are refused on any link but a cable
        self._last = None  # head of the latest request, and whether it came by wire
        self._last_answer = b""
        self._do = {
            m.HELLO.kind: self._hello,
            m.SETTING_GET.kind: self._get,
            m.SETTING_PUT.kind: self._put,
            m.SETTING_COMMIT.kind: self._commit,
            m.SETTING_DROP.kind: self._drop,
            m.TIME_SET.kind: self._time,
            m.SENSE_GET.kind: self._codes,
        }
        self.boots = 0  # for the identity

    def also(self, handlers):
        """Requests that others answer: kind of the message -> f(number, fields) giving the body of the answer."""
        self._do.update(handlers)

    def answer(self, body, wired=False):
        kind, number = m.head(body)
        key = (kind, number, wired)
        # A hello opens a session and is always answered afresh: another host may count from the same number.
        if key == self._last and kind != m.HELLO.kind:
            return self._last_answer
        do = self._do.get(kind)
        if do is None and kind in self.wired_only:
            if not wired:
                return m.REFUSED.pack(number, REFUSE_WIRED_ONLY)
            do = self.wired_only[kind]
        if do is None:
            return m.REFUSED.pack(number, REFUSE_UNKNOWN_REQUEST)
        self._wired = wired
        try:
            answer = do(number, m.BY_KIND[kind].unpack(body)[2:])
        except ValueError:
            answer = m.REFUSED.pack(number, REFUSE_BAD_REQUEST)
        if kind != m.BENCH_BEAT.kind:  # beats come between a request and its retry, and have numbers of their own
            self._last = key
            self._last_answer = answer
        return answer

    def _hello(self, number, _):
        # Answered to a host of any version: the identity begins with ours, so that it can name both.
        self._forget()
        values = self._store.values
        known = Uncertainty(values, self._reference_ppm)
        return m.IDENTITY.pack(number, m.MAJOR, m.MINOR, FIRMWARE, self._board, self._serial, values.get("rig"),
                               self._reset, TABLE_CRC, self._store.seq, self._free_bytes(), known.worst_mv,
                               *known.side_mv, *known.growth_mv, *known.drift_mv, *known.section_mv, self.boots)

    def _get(self, number, fields):
        row, index = fields
        if row >= len(SETTINGS) or index >= SETTINGS[row].count:
            return m.REFUSED.pack(number, REFUSE_UNKNOWN_SETTING)
        return m.SETTING.pack(number, row, index, SETTINGS[row].pack(self._store.values.rows[row][index]))

    def _put(self, number, fields):
        row, index, data = fields
        if row >= len(SETTINGS) or index >= SETTINGS[row].count:
            return m.REFUSED.pack(number, REFUSE_UNKNOWN_SETTING)
        if not self._control.controller.is_locked():
            return m.REFUSED.pack(number, REFUSE_NOT_LOCKED)
        danger = SETTINGS[row].danger
        if danger != HARMLESS and not self._wired:
            return m.REFUSED.pack(number, REFUSE_WIRED_ONLY)
        try:
            value = SETTINGS[row].unpack(data)
        except ValueError:
            return m.REFUSED.pack(number, REFUSE_OUT_OF_RANGE)
        if danger == BOX and not (SETTINGS[row].name == "proven" and value == 0):  # a proof may be taken back
            return m.REFUSED.pack(number, REFUSE_BOX_ALONE)
        if danger != HARMLESS:
            self._draft_wired = True
        if self._draft is None:
            self._draft = self._store.values.copy()
        self._draft.rows[row][index] = value
        return m.DONE.pack(number)

    def _commit(self, number, _):
        draft = self._draft
        if draft is None:
            return m.DONE.pack(number)
        if self._draft_wired and not self._wired:
            return m.REFUSED.pack(number, REFUSE_WIRED_ONLY)
        if conflict(draft):
            return m.REFUSED.pack(number, REFUSE_CONFLICT)
        settle(draft, self._store.values, self._serial)
        refusal = self.put_in_force(number, draft)
        if refusal:
            return refusal
        self._forget()
        return m.DONE.pack(number)

    def put_in_force(self, number, draft):
        """Write settings to flash and take them over. The refusal where that is not possible, else None."""
        control = self._control
        if not control.controller.is_locked():  # and no pause under thrust: a step in it would make idle pulses
            return m.REFUSED.pack(number, REFUSE_NOT_LOCKED)
        control.pause(True)  # the arming hold must not end while the flash is written
        try:
            if not control.controller.is_locked():  # it ended just before
                return m.REFUSED.pack(number, REFUSE_NOT_LOCKED)
            self._store.commit(draft)
            control.configure(draft)
        except OSError:
            return m.REFUSED.pack(number, REFUSE_FLASH)
        finally:
            control.pause(False)
        controller = control.controller
        controller.events.add(controller.now_ms, EVENT_SETTINGS, self._store.seq & 0xFFFF, 0)
        return None

    def _forget(self):
        self._draft = None
        self._draft_wired = False

    def _drop(self, number, _):
        self._forget()
        return m.DONE.pack(number)

    def _time(self, number, fields):
        self._clock.set(fields[0], self._control.controller.now_ms)
        return m.DONE.pack(number)

    def _codes(self, number, _):
        controller = self._control.controller
        inputs = controller.inputs
        return m.SENSE_CODES.pack(number, controller.now_ms, controller.interlock.state, *inputs.code, *inputs.reading)
