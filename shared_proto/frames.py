"""Frames on a byte stream: SLIP (RFC 1055) around a body and its CRC-32/ISO-HDLC, little-endian.

Both jobs are C-level calls on MicroPython (`bytes.replace`, `binascii.crc32`). END is sent before and after
each frame, so that line noise is flushed ahead of it.
"""

import binascii
import struct

END = b"\xc0"
ESC = b"\xdb"
ESC_END = b"\xdb\xdc"
ESC_ESC = b"\xdb\xdd"

BODY_MAX = 200  # bytes of one body; a longer one is a bug in the message table, a longer frame is dropped
_FRAME_MAX = 2 * (BODY_MAX + 4)  # every byte escaped


def encode(body):
    """The frame of a body (bytes). Raises ValueError for one longer than BODY_MAX."""
    if len(body) > BODY_MAX:
        raise ValueError("body of %d bytes, at most %d" % (len(body), BODY_MAX))
    raw = bytes(body) + struct.pack("<I", binascii.crc32(body))
    return END + raw.replace(ESC, ESC_ESC).replace(END, ESC_END) + END


class Decoder:
    """Bytes in, bodies out. What cannot be understood is counted and dropped; the next good frame is found.

    Counters: `good`, `bad` (CRC, length or escape wrong), `oversized`.
    """

    def __init__(self):
        self.good = 0
        self.bad = 0
        self.oversized = 0
        self._tail = b""
        self._skip = False  # inside an oversized frame, until its END

    def feed(self, data):
        """List of the bodies (bytes) completed by `data` (bytes)."""
        bodies = []
        parts = (self._tail + bytes(data)).split(END)
        tail = parts.pop()
        for part in parts:
            if self._skip:
                self._skip = False
            elif len(part) > _FRAME_MAX:
                self.oversized += 1
            elif part:
                body = self._body(part)
                if body is None:
                    self.bad += 1
                else:
                    self.good += 1
                    bodies.append(body)
        if len(tail) > _FRAME_MAX:
            if not self._skip:
                self.oversized += 1
            self._skip = True
            tail = b""
        elif self._skip:
            tail = b""
        self._tail = tail
        return bodies

    @staticmethod
    def _body(part):
        # Every ESC of a well-formed frame starts a pair, so two replaces undo the two of `encode`.
        if part[-1:] == ESC:
            return None  # cut inside a pair
        raw = part.replace(ESC_END, END).replace(ESC_ESC, ESC)
        body = raw[:-4]
        if not 0 < len(body) <= BODY_MAX or struct.unpack("<I", raw[-4:])[0] != binascii.crc32(body):
            return None
        return body
