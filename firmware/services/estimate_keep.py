"""What the estimators have learned: as bytes for the log on flash, as words for registers that outlast the watchdog."""

import struct

from shared_proto.messages import SENSES_MAX, SIDES_MAX

_MAGIC = 0xE2
_SECTION = "<BHHBB"  # side * 32 + cells, fast and slow in mV/8, bend and doubt in percent of them
_SIDE = "<HBHBH3B"  # charge, its doubt, voltage at rest, its doubt (Charge.to_keep), full current in 0.1 A, lags in %
_SECTION_SIZE = struct.calcsize(_SECTION)
_SIDE_SIZE = struct.calcsize(_SIDE)
_UNKNOWN = 127
_STD_PM = 10.0  # charge in a word is rounded to percent


def snapshot(sections, sides):
    """See Estimator.snapshot."""
    parts = [bytes((_MAGIC,))]
    for section in sections:
        sag = section.sag
        if section.side < 0:
            parts.append(b"\0" * _SECTION_SIZE)
            continue
        parts.append(struct.pack(
            _SECTION, 32 * (section.side + 1) + section.top, int(sag.fast_mv * 8.0 + 0.5),
            int(sag.slow_mv * 8.0 + 0.5), int(sag.bend_mv / sag.fast_mv * 100.0 + 0.5),
            min(int(sag.doubt() * 100.0 + 0.5), 255)))
    for side in sides:
        parts.append(struct.pack(
            _SIDE, *side.charge.to_keep(), min(int(side.full * side.ref_a * 10.0 + 0.5), 0xFFFF),
            *[min(max(int(lag * 100.0 + 0.5), 0), 255) for lag in side.slow.lags]))
    return b"".join(parts)


def restore(sections, sides, data, rested):
    """See Estimator.restore."""
    if len(data) != 1 + SENSES_MAX * _SECTION_SIZE + SIDES_MAX * _SIDE_SIZE or data[0] != _MAGIC:
        return False
    at = 1 + SENSES_MAX * _SECTION_SIZE
    same = [False] * SIDES_MAX
    for s, side in enumerate(sides):
        begin = at + s * _SIDE_SIZE
        pm, std, mv, error_mv, full_da, a, b, c = struct.unpack(_SIDE, data[begin : begin + _SIDE_SIZE])
        if side.curve_known and abs(full_da - 10.0 * side.full * side.ref_a) > 5.0 * side.ref_a:
            continue
        same[s] = True
        side.full = min(max(0.1 * full_da / side.ref_a, 0.1), 10.0)
        if pm <= 1000:
            side.charge.keep(float(pm), 4.0 * std, float(mv) if rested and mv else -1.0, float(error_mv))
        if not rested:
            side.slow.set((0.01 * a, 0.01 * b, 0.01 * c))
    for n, section in enumerate(sections):
        at = 1 + n * _SECTION_SIZE
        place, fast, slow, bend, doubt = struct.unpack(_SECTION, data[at : at + _SECTION_SIZE])
        s = section.side
        if s >= 0 and place == 32 * (s + 1) + section.top and same[s] and fast:
            section.sag.learned(0.125 * fast, 0.125 * slow, 0.00125 * bend * fast, max(0.01 * doubt, 0.1))
    return True


def words(sides):
    """See Estimator.words: 7 bits a side, percent; a small integer on the board."""
    charge = slow = 0
    for side in sides:
        pm = side.charge.pm
        charge = charge << 7 | (int(0.1 * pm + 0.5) if pm >= 0.0 else _UNKNOWN)
        slow = slow << 7 | min(max(int(100.0 * side.slow.value + 0.5), 0), 126)
    return charge, slow


def go_on(sides, charge_word, slow_word):
    """See Estimator.go_on."""
    for s, side in enumerate(sides):
        shift = 7 * (SIDES_MAX - 1 - s)
        percent = charge_word >> shift & 127
        if percent <= 100:
            side.charge.go_on(10.0 * percent, _STD_PM)
            slow = 0.01 * (slow_word >> shift & 127)
            side.slow.set((slow, slow, slow))
