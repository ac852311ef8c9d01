"""A file in two slots: a commit writes the older one, so a cut at any moment leaves the old content or the new.

Each slot is magic, sequence number, length, payload, CRC-32/ISO-HDLC of all of it, little-endian.
"""

import binascii
import struct

_HEAD = "<4sIH"


class Slots:
    """`seq`: sequence number of the slot in force, 0 for none; `broken`: a slot was there and could not be read;
    `older`: it was whole once and says that it is newer than the one in force. What a cut left of a commit is shorter
    than it says, and nobody was told that it stood."""

    def __init__(self, paths, magic):
        self.paths = paths
        self.seq = 0
        self.broken = False
        self.older = False
        self._magic = magic
        self._slot = 0  # the one in force

    def load(self, parse):
        """`parse(payload)` of the newest valid slot, None without one. A ValueError from it spoils its slot."""
        found = None
        rotten = 0  # the highest number that a slot which was whole says of itself
        for slot in range(len(self.paths)):
            try:
                with open(self.paths[slot], "rb") as f:
                    data = f.read()
            except OSError:
                continue
            try:
                seq, payload = self._open(data)
                if seq > self.seq:
                    found = parse(payload)
                    self._slot = slot
                    self.seq = seq
            except ValueError:
                self.broken = True
                rotten = max(rotten, self._number_of(data))
        self.older = self.seq > 0 and rotten > self.seq
        return found

    def commit(self, *parts):
        """Write the payload (bytes-like parts) to the slot that is not in force. Raises OSError: nothing changed
        then."""
        seq = self.seq + 1
        slot = 1 - self._slot
        head = struct.pack(_HEAD, self._magic, seq, sum([len(p) for p in parts]))
        crc = binascii.crc32(head)
        with open(self.paths[slot], "wb") as f:
            f.write(head)
            for part in parts:
                f.write(part)
                crc = binascii.crc32(part, crc)
            f.write(struct.pack("<I", crc))
        self._slot = slot
        self.seq = seq
        self.broken = self.older = False  # the slot written is the one that was not in force

    def _number_of(self, data):
        """Sequence number by the head of a damaged slot, 0 where it is not all there."""
        size = struct.calcsize(_HEAD)
        if len(data) < size:
            return 0
        _, seq, length = struct.unpack(_HEAD, data[:size])
        return seq if len(data) == size + length + 4 else 0

    def _open(self, data):
        size = struct.calcsize(_HEAD)
        if len(data) < size + 4 or struct.unpack("<I", data[-4:])[0] != binascii.crc32(data[:-4]):
            raise ValueError("slot damaged")
        magic, seq, length = struct.unpack(_HEAD, data[:size])
        if magic != self._magic or length != len(data) - size - 4:
            raise ValueError("slot of another kind")
        return seq, data[size:-4]
