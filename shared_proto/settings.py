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


# What a setting can do when a host sets it wrong: nothing that hurts; take a protection away; decide thrust. A row of
# BOX is set by the box alone. All but the harmless are taken over a cable only, after a caution and a yes.
HARMLESS, GUARDS, THRUST, BOX = range(4)
DANGERS = ("harmless", "guards", "decides thrust", "the box alone sets it")


class Setting:
    """One row. `code` is a struct code: a number, an array ("11H") or text ("16s"). `danger` is one of DANGERS, `wrong`
    says in a clause what comes of a wrong value."""

    def __init__(self, group, name, code, unit, low, high, default, help, danger, wrong):
        self.group = group
        self.name = name
        self.code = code
        self.unit = unit
        self.low = low
        self.high = high
        self.default = default
        self.help = help
        self.danger = danger
        self.wrong = wrong
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
    Setting("", "rig", "16s", "", 0, 0, b"", "name of the rig; empty: no rig applied, the box is a voltmeter",
            GUARDS, "emptied: no arming; another name: every stop proof is withdrawn"),
    Setting("", "rig_crc", "I", "", 0, 0xFFFFFFFF, 0, "CRC-32 of the rig sheet that these settings came from",
            HARMLESS, "host and box disagree about the sheet"),
    Setting("", "sides", "B", "", 1, SIDES_MAX, 2, "number of fans",
            GUARDS, "too low: a fan that nobody watches, which gets no pulses"),
    Setting("", "stream_hz", "B", "Hz", 1, 25, 10, "status messages a second",
            HARMLESS, "more or fewer status messages"),
    Setting("", "ramp_up_ms", "H", "ms", 500, 20000, 2000, "time for the full span of demand, rising",
            THRUST, "too short: thrust comes up abruptly"),
    Setting("", "ramp_down_ms", "H", "ms", 100, 2000, 300, "time for the full span of demand, falling",
            THRUST, "too long: thrust outlasts the lever by up to 2 s"),
    Setting("", "arm_hold_ms", "H", "ms", 500, 5000, 1000, "how long the arm button is held to arm",
            GUARDS, "too short: a brush against the button arms"),
    Setting("", "esc_idle_ms", "H", "ms", 1000, 10000, 3000, "idle pulses the ESCs see before arming is possible",
            GUARDS, "too short: an ESC may miss its idle, and then not run at all"),
    Setting("", "lever_tracks", "B", "", 1, 2, 2, "tracks of the lever; a single one is capped",
            GUARDS, "1 on a lever with two: a track that fails is not noticed, under the cap of a single one"),
    Setting("", "lever_a_rest_mv", "H", "mV", 50, 3250, 550, "track A at rest, at the ADC pin",
            THRUST, "a lever at rest may read as thrust, once armed; or full thrust comes too early"),
    Setting("", "lever_a_full_mv", "H", "mV", 50, 3250, 2750, "track A at full, at the ADC pin",
            THRUST, "full thrust comes too early; swapped with rest: letting go asks for thrust"),
    Setting("", "lever_b_rest_mv", "H", "mV", 50, 3250, 275, "track B at rest, at the ADC pin",
            THRUST, "with track A wrong alike: a lever at rest reads as thrust, once armed"),
    Setting("", "lever_b_full_mv", "H", "mV", 50, 3250, 1375, "track B at full, at the ADC pin",
            THRUST, "with track A wrong alike: full thrust comes too early"),
    Setting("", "lever_dead_pm", "H", "per mille", 10, 200, 40, "dead band of the lever above rest",
            THRUST, "too small: drift and noise at rest ask for thrust, once armed"),
    Setting("", "lever_agree_pm", "H", "per mille", 20, 200, 80, "how far the tracks may differ",
            GUARDS, "too large: tracks that disagree are noticed later"),
    Setting("", "lever_margin_pm", "H", "per mille", 20, 200, 100, "how far beyond its end points a track may read",
            GUARDS, "too large: a bad contact passes for a position for longer"),
    Setting("", "unproven_cap_pm", "H", "per mille", 0, 300, 300, "cap until every side's stop is proved",
            THRUST, "raised: more thrust on a side whose stop nobody has tried"),
    Setting("", "single_track_cap_pm", "H", "per mille", 0, 600, 400, "cap with a single lever track",
            THRUST, "raised: more thrust on a lever that can fail unnoticed"),
    Setting("", "sense_cap_pm", "H", "per mille", 0, 600, 300, "cap while a sense point is lost",
            THRUST, "raised: more thrust from a string that nobody watches"),
    Setting("", "cell_over_mv", "H", "mV", 4200, 4400, 4260, "mean cell voltage that is too high",
            GUARDS, "raised: an over-charged pack can be armed"),
    Setting("", "cell_warn_mv", "H", "mV", 3200, 3900, 3720, "mean cell voltage at rest of the first warning",
            GUARDS, "too low: the first warning comes late"),
    Setting("", "cell_low_mv", "H", "mV", 3100, 3800, 3670, "mean cell voltage at rest of the second warning",
            GUARDS, "too low: the second warning comes late"),
    Setting("", "cell_floor_mv", "H", "mV", 3000, 3600, 3300, "mean cell voltage that cutback defends, under load",
            GUARDS, "too low: cells are drained until they are harmed, and may burn when charged"),
    Setting("", "cutback_band_mv", "H", "mV", 50, 400, 100, "cutback begins this far above the floor",
            GUARDS, "too narrow: thrust is eased abruptly and late"),
    Setting("", "spread_mv", "H", "mV", 0, 50, 5,
            "allowance for cell spread, for each cell of a section beyond the first",
            GUARDS, "too small: the weakest cell of a section is harmed unseen"),
    Setting("", "watchdog_ms", "H", "ms", 500, 8000, 1000, "the watchdog resets a box that stalls for this long",
            GUARDS, "too long: a stalled box stays off, without pulses, for longer"),
    Setting("side", "name", "12s", "", 0, 0, (b"left", b"right", b"third", b"fourth"), "name of the side",
            GUARDS, "another name: the stop proof of the side is withdrawn"),
    Setting("side", "cells", "B", "", 0, CELLS_MAX, 0, "cells in series in the string; 0: not stated",
            GUARDS, "too high: no arming; too low: a pack that is low passes for full"),
    Setting("side", "idle_us", "H", "us", 800, 1200, 1000, "pulse at idle",
            THRUST, "too high: the fan turns from the next power-on on, and no stop ends it but the plug"),
    Setting("side", "full_us", "H", "us", 1700, 2200, 2000, "pulse at full",
            THRUST, "too low or too high: thrust is not what the curve says"),
    Setting("side", "curve", "11H", "per mille", 0, 1000, (_LINEAR,) * SIDES_MAX,
            "pulse span at each tenth of demand, rising",
            THRUST, "too steep: a small push at the lever gives much thrust"),
    Setting("side", "proven", "B", "", 0, 1, 0, "1 when the bench has proved stop and pulse loss of this side",
            BOX, "1 without a proof: full thrust on a fan that may not stop"),
    Setting("sense", "side", "B", "", 0, SIDES_MAX, (1, 2, 0, 0, 0, 0, 0, 0), "side that the input senses, 0 unused",
            GUARDS, "0: the point is not watched; another side: that one is judged by the wrong string"),
    Setting("sense", "cells", "B", "", 0, CELLS_MAX, 0,
            "cells between the pack negative and this point; 0: not stated",
            GUARDS, "too low: a pack that is low passes for full"),
    Setting("sense", "nv_per_count", "I", "nV", 10000, 8000000, 2000000,
            "voltage at the sense point for one count of the ADC: its step times the divider ratio",
            GUARDS, "too high: a pack that is low passes for full"),
    Setting("sense", "offset_mv", "h", "mV", -32000, 32000, 0, "added to the reading",
            GUARDS, "too high: a pack that is low passes for full"),
    Setting("sense", "calibrated", "B", "", 0, 1, 0, "1 when calibrated against a meter",
            GUARDS, "1 without a calibration: no warning that voltages are nominal"),
    Setting("sense", "uncertainty_mv", "H", "mV", 0, 5000, 1500,
            "expanded uncertainty near the top voltage, 95 % (k = 2 or less)",
            GUARDS, "too small: noise reads as uneven sections; too large: uneven ones are not told"),
    # Appended in the order in which they came.
    Setting("", "together", "B", "", 0, 1, 1, "1: all sides are limited together, so that a weak string does not yaw",
            THRUST, "0: a weak string pulls the vehicle to one side"),
    Setting("", "sense_policy", "B", "", 0, 1, 0, "while a sense point is lost: 0 cap thrust, 1 ease to idle",
            GUARDS, "0: thrust goes on, capped, while a sense point is lost"),
    Setting("", "lever_switch", "B", "", 0, 1, 0, "1: a rest switch is fitted at the lever",
            GUARDS, "0: the rest switch no longer confirms that the lever rests"),
    Setting("", "brake", "B", "", 0, 1, 0, "1: a brake switch is fitted",
            GUARDS, "0: the brake no longer ends thrust"),
    Setting("", "supply_min_mv", "H", "mV", 0, 5500, 0, "least supply of the lever and the ESC signals, 0: not sensed",
            GUARDS, "0 or too low: a failing lever supply is not noticed"),
    Setting("", "wheel_mm", "H", "mm", 0, 4000, 0, "way of the wheel for one pulse of its sensor, 0: not fitted",
            GUARDS, "too small or 0: no speed fade, or too late"),
    Setting("", "fade_from_dmh", "H", "0.1 km/h", 0, 1500, 0, "thrust fades from this speed on, 0: no fade",
            GUARDS, "0 or too high: full thrust at any speed"),
    Setting("", "fade_to_dmh", "H", "0.1 km/h", 0, 1500, 0, "no thrust from this speed on",
            GUARDS, "too high: thrust at a speed that was meant to have none"),
    Setting("side", "capacity_mah", "I", "mAh", 0, 200000, 0, "capacity of the string, 0: not stated",
            GUARDS, "too high: charge and minutes left promise too much"),
    Setting("side", "current_da", "11H", "0.1 A", 0, 5000, ((0,) * 11,) * SIDES_MAX,
            "current at each tenth of demand; all 0: not measured",
            GUARDS, "wrong: a fan that is dead is noticed late, or a good one is stopped"),
    Setting("sense", "kind", "B", "", 0, 2, 0,
            "0 sense point; 1 pack negative, against box ground; 2 current sensor, where 1 mV stands for 10 mA",
            GUARDS, "another kind: the point is not watched"),
    Setting("", "reference_ppm", "H", "ppm", 0, 60000, 0,
            "most that the reference of the ADC drifts after calibration; 0: what is usual for the board",
            GUARDS, "too small: drift reads as uneven sections, and uncertainty promises too much"),
    Setting("side", "negative_uohm", "I", "uohm", 0, 100000, 2000,
            "resistance of the heavy negative lead between the pack and the box's ground",
            GUARDS, "too small: the drop of the lead reads as a weak section; too large: hides one"),
    Setting("sense", "against", "B", "", 0, 1, 0,
            "1: read against the fourth input of the same ADC part, to which a sensor's reference output goes",
            GUARDS, "wrong: the reading of a current sensor is off"),
    Setting("", "bench_cap_pm", "H", "per mille", 0, 1000, 600, "most pulse span of a bench step",
            THRUST, "raised: more thrust in a bench step, while somebody holds it"),
    Setting("", "bench_low_pm", "H", "per mille", 50, 300, 250, "most pulse span of a step that withholds pulses",
            THRUST, "raised: more thrust while pulses are withheld"),
    Setting("", "bench_step_ms", "H", "ms", 1000, 30000, 10000, "longest bench step, ramp included",
            THRUST, "longer: a bench step lasts longer while it is held"),
    Setting("", "bench_run_s", "H", "s", 60, 3600, 1800, "longest bench run",
            GUARDS, "longer: a forgotten bench run ends later"),
    Setting("", "bench_rest_ms", "H", "ms", 1000, 60000, 5000, "rest before each bench step",
            GUARDS, "too short: motors, ESCs and packs get hot"),
    Setting("sense", "nominal_nv", "I", "nV", 0, 8000000, 0,
            "nv_per_count by the sheet's resistors, which a calibration stays near; 0: not stated",
            GUARDS, "wrong: a calibration of another divider passes"),
    Setting("side", "idle_force_us", "H", "us", 0, 1200, 0, "idle until the next power-on, 0: idle_us as it stands",
            BOX, "the new idle would take force at once"),
    Setting("side", "full_force_us", "H", "us", 0, 2200, 0, "full until the next power-on, 0: full_us as it stands",
            BOX, "the new full would take force at once"),
    Setting("side", "proof_run", "I", "", 0, 0xFFFFFFFF, 0, "token of the bench run in which the box saw the stop",
            BOX, "a proof would be of no run"),
    Setting("side", "proof_mark", "I", "", 0, 0xFFFFFFFF, 0,
            "ties the proof to this box, that run, and the rig, name, cells and end points of the side",
            BOX, "a proof would be of another box"),
)
# Values of sense.kind, and what each is called.
POINT, NEGATIVE, CURRENT = range(3)
# How far a pack's negative may lie from box ground, mV. No more than 0.3 V below its own ground can be read (absolute
# maximum of an ADS1115, TI SBAS444D); nearly as much is warned of.
NEGATIVE_MOST_MV = 280
NEGATIVE_WARN_MV = 240
KINDS = ("sense point", "pack negative", "current sensor")

# How far a calibrated reading may lie from what the sheet's resistors give: of the reading, at any cell voltage from
# CELL_LEAST_MV to CELL_MOST_MV, gain and offset together. Resistors of 1 % on both sides of a divider give 2 % at the
# most, and an ADC's reference and offset one or two (common practice).
NEAR_PM = 50
CELL_LEAST_MV = 3000
CELL_MOST_MV = 4200
NEGATIVE_OFFSET_MV = 50  # of a pack negative, which is read at the ADC's own step

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


def in_force_us(values, end, side):
    """The end point "idle" or "full" of a side (from 0) until the next power-on, in us."""
    return values.get("side.%s_force_us" % end, side) or values.get("side.%s_us" % end, side)


def ends_wait(values):
    """Whether the end points of any side of the rig take force at the next power-on only."""
    for side in range(values.get("sides")):
        if values.get("side.idle_force_us", side) or values.get("side.full_force_us", side):
            return True
    return False


def proof_mark(values, side, serial, run):
    """What ties the stop proof of a side to the box of `serial`, to a bench run and to what was proved (CRC-32: it
    keeps mistakes out, and no attacker)."""
    get = values.get
    return binascii.crc32(struct.pack(
        "<16s16s12sIBHH", serial, get("rig"), get("side.name", side), run, get("side.cells", side),
        get("side.idle_us", side), get("side.full_us", side)))


def withdraw_proofs(values, serial):
    """Take back each proof that was not made on the box of `serial`, or of a side that is another by now."""
    for side in range(SIDES_MAX):
        run = values.get("side.proof_run", side)
        if not run or values.get("side.proof_mark", side) != proof_mark(values, side, serial, run):
            values.put("side.proven", 0, side)


def grant_proof(values, side, serial, run):
    """Mark the stop of a side as proved in a bench run, on the box of `serial`. Returns the mark."""
    mark = proof_mark(values, side, serial, run)
    values.put("side.proof_run", run, side)
    values.put("side.proof_mark", mark, side)
    values.put("side.proven", 1, side)
    return mark


def settle(values, now, serial):
    """What the box itself makes of settings that are to replace `now`: new end points wait for the next power-on, and
    proofs that no longer fit are withdrawn. The host does the same to tell what will come of a change."""
    for side in range(SIDES_MAX):
        for end in ("idle", "full"):
            force_us = in_force_us(now, end, side)
            wait = values.get("side.%s_us" % end, side) != force_us
            values.put("side.%s_force_us" % end, force_us if wait else 0, side)
    withdraw_proofs(values, serial)


def take_force(values):
    """At a power-on: end points that waited are in force. Returns [(side from 0, idle before in us, idle now)] of those
    whose idle is another, None when nothing waited."""
    changed = []
    waited = False
    for side in range(SIDES_MAX):
        before_us = values.get("side.idle_force_us", side)
        if before_us:
            changed.append((side, before_us, values.get("side.idle_us", side)))
        if before_us or values.get("side.full_force_us", side):
            waited = True
        values.put("side.idle_force_us", 0, side)
        values.put("side.full_force_us", 0, side)
    return changed if waited else None


def far_from_nominal(values, n):
    """What is wrong with gain and offset of a sense input (from 0) against its nominal divider, in a clause; "" when
    all is well. The sheet, a calibration and the box are held to it alike."""
    get = values.get
    kind = get("sense.kind", n)
    offset_mv = get("sense.offset_mv", n)
    if kind == CURRENT:  # its offset is its zero; the voltage of no pack hangs on it
        return ""
    if kind == NEGATIVE:
        if abs(offset_mv) > NEGATIVE_OFFSET_MV:
            return "an offset of %d mV at a pack negative, and %d is the most" % (offset_mv, NEGATIVE_OFFSET_MV)
        return ""
    nominal = get("sense.nominal_nv", n)
    if get("sense.calibrated", n) and not nominal:
        return "it is calibrated, and its nominal divider is not stated: apply the rig sheet again"
    nv = get("sense.nv_per_count", n)
    nominal = nominal or nv
    gain_pm = (nv - nominal) * 100 // (nominal // 10)
    for cell_mv in (CELL_LEAST_MV, CELL_MOST_MV):  # a straight line is farthest off at an end
        far_pm = abs(gain_pm + offset_mv * 1000 // max(1, get("sense.cells", n) * cell_mv))
        if far_pm > NEAR_PM:
            return "gain and offset put it %d per mille off its nominal divider, %d is the most" % (far_pm, NEAR_PM)
    return ""


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
        far = far_from_nominal(values, n)
        if far:
            return "sense input %d: %s" % (n + 1, far)
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
