"""The settings table: every setting of the box, once, with its limits, default and one line of help.

Range checks, the flash layout, the host's `settings` commands and the documentation derive from it. Rows are
only ever appended: the flash blob is row after row, so an older blob is a prefix of a newer one.
"""

import binascii
import struct

from shared_proto.messages import SENSES_MAX, SIDES_MAX

CELLS_MAX = 14  # at 4.5 V a cell, which is plainly wrong, still within the 65.5 V that a status carries
INPUTS_OF_A_PART = 4  # of an I2C ADC
GROUPS = {"": 1, "side": SIDES_MAX, "sense": SENSES_MAX}

# What the end points of a lever track must keep, so that a wire that is broken or shorted, which reads within
# LEVER_CLEAR_MV of a rail, is beyond both ends and their margin, and never a position (common practice, no source).
LEVER_APART_MV = 300
LEVER_RAIL_MV = 3300  # the upper rail, at the pin
LEVER_CLEAR_MV = 30

# The linear curve: pulse span per mille at each tenth of demand. The bench replaces it.
_LINEAR = (0, 100, 200, 300, 400, 500, 600, 700, 800, 900, 1000)


class Setting:
    """One row. `code` is a struct code: a number, an array ("11H") or text ("16s")."""

    def __init__(self, group, name, code, unit, low, high, default, help):
        self.group = group
        self.name = name
        self.code = code
        self.unit = unit
        self.low = low
        self.high = high
        self.default = default
        self.help = help
        self.count = GROUPS[group]

    def pack(self, value):
        """Bytes of a checked value. Raises ValueError, in one clause, when it does not fit."""
        if self.code[-1] == "s":
            if len(value) > int(self.code[:-1]):
                raise ValueError("longer than %s bytes" % self.code[:-1])
            return struct.pack("<" + self.code, value)
        values = value if isinstance(value, (tuple, list)) else (value,)
        wanted = int(self.code[:-1] or "1")
        if len(values) != wanted:
            raise ValueError("needs %d numbers, got %d" % (wanted, len(values)))
        for v in values:
            if not self.low <= v <= self.high:
                unit = " " + self.unit if self.unit else ""
                raise ValueError("%d is outside %d..%d%s" % (v, self.low, self.high, unit))
        return struct.pack("<" + self.code, *values)

    def unpack(self, data):
        """Value from bytes, checked. Raises ValueError for a wrong length or an unfit value."""
        if len(data) != struct.calcsize("<" + self.code):
            raise ValueError("needs %d bytes, got %d" % (struct.calcsize("<" + self.code), len(data)))
        values = struct.unpack("<" + self.code, data)
        if self.code[-1] == "s":
            return values[0].rstrip(b"\0")
        value = values if len(self.code) > 1 else values[0]
        self.pack(value)
        return value


SETTINGS = (
    Setting("", "rig", "16s", "", 0, 0, b"", "name of the rig; empty: no rig applied, the box is a voltmeter"),
    Setting("", "rig_crc", "I", "", 0, 0xFFFFFFFF, 0, "CRC-32 of the rig sheet that these settings came from"),
    Setting("", "sides", "B", "", 1, SIDES_MAX, 2, "number of fans"),
    Setting("", "stream_hz", "B", "Hz", 1, 25, 10, "status messages a second"),
    Setting("", "ramp_up_ms", "H", "ms", 500, 20000, 2000, "time for the full span of demand, rising"),
    Setting("", "ramp_down_ms", "H", "ms", 100, 2000, 300, "time for the full span of demand, falling"),
    Setting("", "arm_hold_ms", "H", "ms", 500, 5000, 1000, "how long the arm button is held to arm"),
    Setting("", "esc_idle_ms", "H", "ms", 1000, 10000, 3000, "idle pulses the ESCs see before arming is possible"),
    Setting("", "lever_tracks", "B", "", 1, 2, 2, "tracks of the lever; a single one is capped"),
    Setting("", "lever_a_rest_mv", "H", "mV", 50, 3250, 550, "track A at rest, at the ADC pin"),
    Setting("", "lever_a_full_mv", "H", "mV", 50, 3250, 2750, "track A at full, at the ADC pin"),
    Setting("", "lever_b_rest_mv", "H", "mV", 50, 3250, 275, "track B at rest, at the ADC pin"),
    Setting("", "lever_b_full_mv", "H", "mV", 50, 3250, 1375, "track B at full, at the ADC pin"),
    Setting("", "lever_dead_pm", "H", "per mille", 10, 200, 40, "dead band of the lever above rest"),
    Setting("", "lever_agree_pm", "H", "per mille", 20, 200, 80, "how far the tracks may differ"),
    Setting("", "lever_margin_pm", "H", "per mille", 20, 200, 100, "how far beyond its end points a track may read"),
    Setting("", "unproven_cap_pm", "H", "per mille", 0, 300, 300, "cap until every side's stop is proved"),
    Setting("", "single_track_cap_pm", "H", "per mille", 0, 600, 400, "cap with a single lever track"),
    Setting("", "sense_cap_pm", "H", "per mille", 0, 600, 300, "cap while a sense point is lost"),
    Setting("", "cell_over_mv", "H", "mV", 4200, 4400, 4260, "mean cell voltage that is too high"),
    Setting("", "cell_warn_mv", "H", "mV", 3200, 3900, 3720, "mean cell voltage at rest of the first warning"),
    Setting("", "cell_low_mv", "H", "mV", 3100, 3800, 3670, "mean cell voltage at rest of the second warning"),
    Setting("", "cell_floor_mv", "H", "mV", 3000, 3600, 3300, "mean cell voltage that cutback defends, under load"),
    Setting("", "cutback_band_mv", "H", "mV", 50, 400, 100, "cutback begins this far above the floor"),
    Setting("", "spread_mv", "H", "mV", 0, 50, 5,
            "allowance for cell spread, for each cell of a section beyond the first"),
    Setting("", "watchdog_ms", "H", "ms", 500, 8000, 1000, "the watchdog resets a box that stalls for this long"),
    Setting("side", "name", "12s", "", 0, 0, (b"left", b"right", b"third", b"fourth"), "name of the side"),
    Setting("side", "cells", "B", "", 0, CELLS_MAX, 0, "cells in series in the string; 0: not stated"),
    Setting("side", "idle_us", "H", "us", 800, 1200, 1000, "pulse at idle"),
    Setting("side", "full_us", "H", "us", 1700, 2200, 2000, "pulse at full"),
    Setting("side", "curve", "11H", "per mille", 0, 1000, (_LINEAR,) * SIDES_MAX,
            "pulse span at each tenth of demand, rising"),
    Setting("side", "proven", "B", "", 0, 1, 0, "1 when the bench has proved stop and pulse loss of this side"),
    Setting("sense", "side", "B", "", 0, SIDES_MAX, (1, 2, 0, 0, 0, 0, 0, 0), "side that the input senses, 0 unused"),
    Setting("sense", "cells", "B", "", 0, CELLS_MAX, 0,
            "cells between the pack negative and this point; 0: not stated"),
    Setting("sense", "nv_per_count", "I", "nV", 10000, 8000000, 2000000,
            "voltage at the sense point for one count of the ADC: its step times the divider ratio"),
    Setting("sense", "offset_mv", "h", "mV", -32000, 32000, 0, "added to the reading"),
    Setting("sense", "calibrated", "B", "", 0, 1, 0, "1 when calibrated against a meter"),
    Setting("sense", "uncertainty_mv", "H", "mV", 0, 5000, 1500,
            "expanded uncertainty near the top voltage, 95 % (k = 2 or less)"),
    # Appended in the order in which they came.
    Setting("", "together", "B", "", 0, 1, 1, "1: all sides are limited together, so that a weak string does not yaw"),
    Setting("", "sense_policy", "B", "", 0, 1, 0, "while a sense point is lost: 0 cap thrust, 1 ease to idle"),
    Setting("", "lever_switch", "B", "", 0, 1, 0, "1: a rest switch is fitted at the lever"),
    Setting("", "brake", "B", "", 0, 1, 0, "1: a brake switch is fitted"),
    Setting("", "supply_min_mv", "H", "mV", 0, 5500, 0, "least supply of the lever and the ESC signals, 0: not sensed"),
    Setting("", "wheel_mm", "H", "mm", 0, 4000, 0, "way of the wheel for one pulse of its sensor, 0: not fitted"),
    Setting("", "fade_from_dmh", "H", "0.1 km/h", 0, 1500, 0, "thrust fades from this speed on, 0: no fade"),
    Setting("", "fade_to_dmh", "H", "0.1 km/h", 0, 1500, 0, "no thrust from this speed on"),
    Setting("side", "capacity_mah", "I", "mAh", 0, 200000, 0, "capacity of the string, 0: not stated"),
    Setting("side", "current_da", "11H", "0.1 A", 0, 5000, ((0,) * 11,) * SIDES_MAX,
            "current at each tenth of demand; all 0: not measured"),
    Setting("sense", "kind", "B", "", 0, 2, 0,
            "0 sense point; 1 pack negative, against box ground; 2 current sensor, where 1 mV stands for 10 mA"),
    Setting("", "reference_ppm", "H", "ppm", 0, 60000, 0,
            "most that the reference of the ADC drifts after calibration; 0: what is usual for the board"),
    Setting("side", "negative_uohm", "I", "uohm", 0, 100000, 2000,
            "resistance of the heavy negative lead between the pack and the box's ground"),
    Setting("sense", "against", "B", "", 0, 1, 0,
            "1: read against the fourth input of the same ADC part, to which a sensor's reference output goes"),
    Setting("", "bench_cap_pm", "H", "per mille", 0, 1000, 600, "most pulse span of a bench step"),
    Setting("", "bench_low_pm", "H", "per mille", 50, 300, 250, "most pulse span of a step that withholds pulses"),
    Setting("", "bench_step_ms", "H", "ms", 1000, 30000, 10000, "longest bench step, ramp included"),
    Setting("", "bench_run_s", "H", "s", 60, 3600, 1800, "longest bench run"),
    Setting("", "bench_rest_ms", "H", "ms", 1000, 60000, 5000, "rest before each bench step"),
)
# Values of sense.kind, and what each is called.
POINT, NEGATIVE, CURRENT = range(3)
# How far a pack's negative may lie from box ground, mV. No more than 0.3 V below its own ground can be read (absolute
# maximum of an ADS1115, TI SBAS444D); nearly as much is warned of.
NEGATIVE_MOST_MV = 280
NEGATIVE_WARN_MV = 240
KINDS = ("sense point", "pack negative", "current sensor")

ROWS = {(s.group + "." if s.group else "") + s.name: n for n, s in enumerate(SETTINGS)}

# Two ends that share this number share the whole table.
TABLE_CRC = binascii.crc32("".join(["%s.%s:%s;" % (s.group, s.name, s.code) for s in SETTINGS]).encode())


class Values:
    """The values of all settings, `values[row][index]`; begins with the defaults."""

    def __init__(self):
        self.rows = []
        for s in SETTINGS:
            d = s.default
            many = isinstance(d, tuple)
            self.rows.append([d[i] if many else d for i in range(s.count)])

    def get(self, name, index=0):
        """Value of `name`, written as in ROWS ("ramp_up_ms", "side.cells"). Raises KeyError."""
        return self.rows[ROWS[name]][index]

    def put(self, name, value, index=0):
        """Set a checked value. Raises KeyError for the name, ValueError for the value."""
        row = ROWS[name]
        SETTINGS[row].pack(value)
        self.rows[row][index] = value

    def copy(self):
        """An independent copy (values are immutable, the lists are not)."""
        other = Values()
        other.rows = [list(r) for r in self.rows]
        return other

    def to_blob(self):
        """All values as bytes, row after row."""
        return b"".join([s.pack(v) for s, r in zip(SETTINGS, self.rows) for v in r])

    def from_blob(self, blob):
        """Take over a blob of this or an older table; rows beyond it keep their defaults. Raises ValueError."""
        at = 0
        for s, r in zip(SETTINGS, self.rows):
            size = struct.calcsize("<" + s.code)
            for i in range(s.count):
                if at == len(blob):
                    break
                r[i] = s.unpack(blob[at : at + size])
                at += size
        if at != len(blob):
            raise ValueError("settings of %d bytes, this version knows %d" % (len(blob), at))


def ladder(values, side):
    """Sense points of a side (from 0) [(cells, input)], lowest first, and the input at its pack negative, -1 none."""
    points = []
    negative = -1
    for n in range(SENSES_MAX):
        if values.get("sense.side", n) == side + 1:
            kind = values.get("sense.kind", n)
            if kind == POINT:
                points.append((values.get("sense.cells", n), n))
            elif kind == NEGATIVE:
                negative = n
    points.sort()
    return points, negative


def lever_room_mv(rest_mv, full_mv, margin_pm):
    """How far the nearer end point of a track, with its margin (per mille of the travel), is from a rail, in mV."""
    low_mv = min(rest_mv, full_mv)
    high_mv = max(rest_mv, full_mv)
    return min(low_mv, LEVER_RAIL_MV - high_mv) - (high_mv - low_mv) * margin_pm // 1000


def conflict(values):
    """What contradicts what in a whole set of values, in one sentence; "" when all is well.

    The box checks it before a commit and the host before it sends anything.
    """
    get = values.get
    for track in ("a", "b")[: get("lever_tracks")]:
        rest_mv = get("lever_%s_rest_mv" % track)
        full_mv = get("lever_%s_full_mv" % track)
        if abs(full_mv - rest_mv) < LEVER_APART_MV:
            return "lever track %s: rest and full are less than %d mV apart" % (track.upper(), LEVER_APART_MV)
        room_mv = lever_room_mv(rest_mv, full_mv, get("lever_margin_pm"))
        if room_mv < LEVER_CLEAR_MV:
            return (
                "lever track %s: an end point with its margin is %d mV from a rail, and %d is the least, "
                "or a broken wire passes for a position" % (track.upper(), room_mv, LEVER_CLEAR_MV)
            )
    if not get("cell_floor_mv") < get("cell_low_mv") < get("cell_warn_mv"):
        return "cell voltages: floor, low and warn must rise in this order"
    for side in range(get("sides")):
        curve = get("side.curve", side)
        for i in range(10):
            if curve[i + 1] < curve[i]:
                return "side %d: the curve falls at its step %d" % (side + 1, i + 1)
        if curve[0] != 0:
            return "side %d: the curve must begin at 0" % (side + 1)
    for n in range(SENSES_MAX):
        side = get("sense.side", n)
        cells = get("sense.cells", n)
        kind = get("sense.kind", n)
        if not side or not (cells or kind):
            continue
        if get("sense.against", n):
            fourth = n // INPUTS_OF_A_PART * INPUTS_OF_A_PART + INPUTS_OF_A_PART - 1
            if kind == POINT:
                return "sense input %d: a sense point is read against ground" % (n + 1)
            if n == fourth or get("sense.side", fourth):
                return "sense input %d: it is read against input %d, which must be left free" % (n + 1, fourth + 1)
        if side > get("sides"):
            return "sense input %d: the rig has no side %d" % (n + 1, side)
        if not kind and get("side.cells", side - 1) and cells > get("side.cells", side - 1):
            return "sense input %d: %d cells is above the top of side %d" % (n + 1, cells, side)
        for m in range(n):
            if get("sense.side", m) != side or get("sense.kind", m) != kind:
                continue
            if kind:
                return "sense inputs %d and %d: both the %s of side %d" % (m + 1, n + 1, KINDS[kind], side)
            if get("sense.cells", m) == cells:
                return "sense inputs %d and %d: both at %d cells of side %d" % (m + 1, n + 1, cells, side)
    if get("fade_from_dmh"):
        if get("fade_to_dmh") <= get("fade_from_dmh"):
            return "speed fade: its end must be above its beginning"
        if not get("wheel_mm"):
            return "speed fade: it needs a wheel sensor, and wheel_mm is 0"
    if get("rig"):
        for side in range(get("sides")):
            top = get("side.cells", side)
            if not top:
                return "side %d: its cells are not stated" % (side + 1)
            if (side + 1, top, 0) not in [
                (get("sense.side", n), get("sense.cells", n), get("sense.kind", n)) for n in range(SENSES_MAX)
            ]:
                return "side %d: no sense input at its top, %d cells" % (side + 1, top)
    return ""
