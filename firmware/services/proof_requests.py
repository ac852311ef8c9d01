"""The proof that a side stops: marked by the box itself, and for a run only that it has seen end.

A host judges how soon the fan stopped, which takes a person's ears or the string's voltage. It cannot make a proof
without the run: pulses withheld and the stop loop opened, with hands at this box, since its power came on.
"""

from shared_proto import messages as m
from shared_proto.settings import ends_wait, grant_proof
from shared_proto.states import REFUSE_NOT_NOW, REFUSE_NOT_SEEN, REFUSE_OUT_OF_RANGE


class ProofRequests:
    """`do`: kind of message -> what answers it. `put_in_force` is that of `Requests`."""

    def __init__(self, bench, store, serial, put_in_force):
        self._bench = bench
        self._store = store
        self._serial = serial
        self._put_in_force = put_in_force
        self.do = {m.BENCH_PROVE.kind: self._prove}

    def _prove(self, number, fields):
        token, side = fields
        if not 1 <= side <= self._bench.sides:
            return m.REFUSED.pack(number, REFUSE_OUT_OF_RANGE)
        values = self._store.values
        if ends_wait(values):  # what was seen is of other end points than those that will be
            return m.REFUSED.pack(number, REFUSE_NOT_NOW)
        if not self._bench.has_seen(side - 1, token):
            return m.REFUSED.pack(number, REFUSE_NOT_SEEN)
        proved = values.copy()
        mark = grant_proof(proved, side - 1, self._serial, token)
        return self._put_in_force(number, proved) or m.BENCH_PROOF.pack(number, mark)
