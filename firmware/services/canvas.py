"""Letters and numbers on a page buffer: the built-in 8 x 8 font, and larger by repeating its pixels.

Rows are counted in pages of eight pixels, so that all work is on whole bytes; what the built-in module can do
it does, in a tenth of the time.
"""

from framebuf import MONO_VLSB, FrameBuffer

WIDTH = 128
PAGES = 8
COLUMNS = WIDTH // 8  # letters of the plain font in a row


def _stretched(times):
    """Four pixels, each repeated `times` times, for every pattern of four."""
    table = []
    for nibble in range(16):
        row = 0
        for bit in range(4):
            if nibble >> bit & 1:
                row |= ((1 << times) - 1) << bit * times
        table.append(row)
    return table


_STRETCH = ((), _stretched(1), _stretched(2), _stretched(3))
_DIGITS = "0123456789"
_KEPT = _DIGITS + "-."  # stretched once in each size: some 4,000 bytes in all


class Canvas:
    def __init__(self, buffer):
        self._buffer = buffer
        self._kept = {}
        self._bits = bytearray(8)
        self._letter = FrameBuffer(self._bits, 8, 8, MONO_VLSB)
        self.frame = FrameBuffer(buffer, WIDTH, 8 * PAGES, MONO_VLSB)  # for lines and boxes

    def fill(self, x, page, width, pages, flip=0):
        """An area dark, or lit with a `flip` of 0xFF."""
        self.frame.fill_rect(x, 8 * page, width, 8 * pages, flip & 1)

    def glyph(self, letter, x, page, wide=1, tall=1, flip=0, first=0, last=8):
        """One letter, or its columns `first`..`last - 1`, each pixel `wide` x `tall` (up to 3 tall); `flip` 0xFF
        for dark on lit. Returns the x after it."""
        key = ord(letter) << 12 | first << 8 | wide << 4 | tall << 1 | flip & 1
        rows = self._kept.get(key)
        if rows is None:
            rows = self.stretch(letter, wide, tall, flip, first, last)
            if letter in _KEPT:
                self._kept[key] = rows
        buffer = self._buffer
        at = page * WIDTH + x
        width = wide * (last - first)
        for row in rows:
            buffer[at : at + width] = row
            at += WIDTH
        return x + width

    def stretch(self, letter, wide, tall, flip, first, last):
        """A letter page by page, as `glyph` puts it down: about a millisecond's work."""
        self._letter.fill(0)
        self._letter.text(letter, 0, 0)
        stretch = _STRETCH[tall]
        made = [bytearray(wide * (last - first)) for _ in range(tall)]
        x = 0
        for column in range(first, last):
            pixels = self._bits[column]
            bits = stretch[pixels & 15] | stretch[pixels >> 4] << 4 * tall
            for row in made:
                for i in range(x, x + wide):
                    row[i] = bits & 0xFF ^ flip
                bits >>= 8
            x += wide
        return made

    def text(self, words, x, page, wide=1, tall=1, flip=0):
        """`words` from `x` on, as far as they fit. Returns the x after them."""
        if wide == tall == 1:
            words = words[: (WIDTH - x) // 8]
            self.fill(x, page, 8 * len(words), 1, flip)
            self.frame.text(words, x, 8 * page, ~flip & 1)
            return x + 8 * len(words)
        for letter in words:
            if x + 8 * wide > WIDTH:
                break
            if letter == " ":
                self.fill(x, page, 8 * wide, tall, flip)
                x += 8 * wide
            else:
                x = self.glyph(letter, x, page, wide, tall, flip)
        return x

    def centred(self, words, page, wide=1, tall=1, flip=0):
        """A whole row of `words`."""
        self.fill(0, page, WIDTH, tall, flip)
        self.text(words, max(0, (WIDTH - 8 * wide * len(words)) // 2), page, wide, tall, flip)

    def number(self, value, was, decimals, x, page, wide=1, tall=1, flip=0):
        """Three digits of `value` with a narrow point, or three dashes when it is negative; 28 pixels times
        `wide`, or 24 without decimals. What is the same in `was` is taken to be there already; below -1, nothing
        is. Returns the x after it."""
        whole = 3 - decimals
        for place in range(3):
            if place == whole:
                if was < -1:
                    self.glyph(".", x, page, wide, tall, flip, 2, 6)
                x += 4 * wide
            letter = _letter(value, place, whole)
            if was < -1 or letter != _letter(was, place, whole):
                self.glyph(letter, x, page, wide, tall, flip)
            x += 8 * wide
        return x


def _letter(value, place, whole):
    """The sign at `place` (0..2) of three digits, `whole` of them before the point."""
    if value < 0:
        return "-"
    over = 1 if place == 2 else 10 if place == 1 else 100
    if value < over and place < whole - 1:
        return " "
    return _DIGITS[value // over % 10]


def wrapped(words, columns=COLUMNS):
    """Lines of at most `columns` letters, broken between words."""
    lines = []
    line = ""
    for word in words.split(" "):
        if line and len(line) + 1 + len(word) > columns:
            lines.append(line)
            line = word
        else:
            line = line + " " + word if line else word
    lines.append(line)
    return lines
