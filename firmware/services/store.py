"""Settings on flash, in two slots: a commit writes the older one, so a cut leaves the old set or the new one."""

import binascii
import struct

from shared_proto.settings import Values

_SLOTS = ("settings.a", "settings.b")
_HEAD = "<4sIH"
_MAGIC = b"BXS1"


class Store:
    """`values` in force, `seq` of the slot they came from (0: none valid, defaults)."""

    def __init__(self, folder=""):
        self._paths = [folder + s for s in _SLOTS]
        self._slot = 0  # the one in force
        self.values = Values()
        self.seq = 0
        self.broken = False  # a slot was there and could not be read

    def load(self):
        """Take the newest valid slot."""
        for slot in range(len(_SLOTS)):
            try:
                with open(self._paths[slot], "rb") as f:
                    data = f.read()
            except OSError:
                continue
            values = Values()
            try:
                seq = self._parse(data, values)
            except ValueError:
                self.broken = True
                continue
            if seq > self.seq:
                self._slot = slot
                self.seq = seq
                self.values = values

    def commit(self, values):
        """Write `values` to the slot that is not in force and take them over. Raises OSError: nothing changed then."""
        blob = values.to_blob()
        seq = self.seq + 1
        data = struct.pack(_HEAD, _MAGIC, seq, len(blob)) + blob
        slot = 1 - self._slot
        with open(self._paths[slot], "wb") as f:
            f.write(data + struct.pack("<I", binascii.crc32(data)))
        self._slot = slot
        self.seq = seq
        self.values = values

    @staticmethod
    def _parse(data, values):
        size = struct.calcsize(_HEAD)
        if len(data) < size + 4 or struct.unpack("<I", data[-4:])[0] != binascii.crc32(data[:-4]):
            raise ValueError("settings slot damaged")
        magic, seq, length = struct.unpack(_HEAD, data[:size])
        if magic != _MAGIC or length != len(data) - size - 4:
            raise ValueError("settings slot of another kind")
        values.from_blob(data[size:-4])
        return seq
