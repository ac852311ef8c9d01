"""Settings on flash, in two slots: a commit writes the older one, so a cut leaves the old set or the new one."""

from services.slots import Slots
from shared_proto.settings import Values


class Store:
    """`values` in force, `seq` of the slot they came from (0: none valid, defaults), `broken`: a slot was there
    and could not be read."""

    def __init__(self, folder=""):
        self._slots = Slots([folder + "settings.a", folder + "settings.b"], b"BXS1")
        self.values = Values()

    @property
    def seq(self):
        return self._slots.seq

    @property
    def broken(self):
        return self._slots.broken

    @property
    def doubtful(self):
        """Whether what is in force is not what was last written, as far as the flash tells."""
        return self._slots.older or (self.seq == 0 and self.broken)

    def load(self):
        """Take the newest valid slot."""
        values = self._slots.load(self._parse)
        if values is not None:
            self.values = values

    def commit(self, values):
        """Write `values` to the slot that is not in force and take them over. Raises OSError: nothing changed then."""
        self._slots.commit(values.to_blob())
        self.values = values

    @staticmethod
    def _parse(payload):
        values = Values()
        values.from_blob(payload)
        return values
