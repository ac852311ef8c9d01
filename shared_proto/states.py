"""States, causes, warnings, limits, events and refusals: one table each, in plain words.

The position of a row is its number on the wire, so rows are only ever appended. The names that code uses
are unpacked from the very same table: a row too many or too few fails at import.
"""

# Box states: (name, what it means).
STATES = (
    ("LOCKED", "idle pulses only; go through the arming order to get thrust"),
    ("READY", "armed, lever at rest"),
    ("DRIVING", "armed, lever moved: the fans may turn"),
    ("HELD", "a protective stop, latched with its cause"),
    ("BENCH", "throttle curve run, tied down"),
    ("SERVICE", "settings and calibration; no thrust"),
)
LOCKED, READY, DRIVING, HELD, BENCH, SERVICE = range(len(STATES))

# Why the box is HELD: (name, plain words, what clears it). The way out always ends with: lever at rest,
# press the arm button once; then arm again.
CAUSES = (
    ("NONE", "nothing", ""),
    ("STOP_OPEN", "stop loop opened", "close the stop loop"),
    ("LEVER_RANGE", "lever signal outside its window: a wire open or shorted", "repair the lever wiring"),
    ("LEVER_TRACKS", "lever tracks disagree", "repair the lever"),
    ("SENSING_LOST", "no believable voltage from a side", "check the sense fuses and the ADC"),
    ("STEP_FAILED", "the control step failed", "restart the box; if it comes again, do not ride"),
    ("TASK_SILENT", "a task of the box stopped", "restart the box"),
    ("LATE", "the control step came too late too often", "restart the box"),
    ("SUPPLY", "the supply of the lever is too low", "check the 5 V supply and its wiring"),
    ("BENCH_HOST", "the host fell silent in a bench run", "check cable and host"),
    ("GROUND", "a pack's negative is far from the box's ground", "check the heavy negative wires"),
)
(CAUSE_NONE, CAUSE_STOP_OPEN, CAUSE_LEVER_RANGE, CAUSE_LEVER_TRACKS, CAUSE_SENSING_LOST,
 CAUSE_STEP_FAILED, CAUSE_TASK_SILENT, CAUSE_LATE, CAUSE_SUPPLY, CAUSE_BENCH_HOST,
 CAUSE_GROUND) = range(len(CAUSES))

# The end of every way out of HELD, in two rows of a small screen.
HELD_END = "rest lever, then press arm button"

# What the box waits for on the way to thrust: (name, plain words, words in two rows of 16 letters where the
# plain ones take more).
WAITS = (
    ("NOTHING", "nothing: armed, or held", ""),
    ("NO_RIG", "no rig has been applied: voltmeter only", "no rig applied: voltmeter only"),
    ("SELF_CHECK", "a self-check: a side has no believable voltage, or a task is silent",
     "self-check: voltage or task"),
    ("STOP_CLOSED", "close the stop loop", ""),
    ("STOP_TEST", "open the stop loop once, to show that it works, and close it", "open the stop loop, then close"),
    ("LEVER_REST", "bring the lever to rest", ""),
    ("BUTTON_RELEASE", "release the arm button", ""),
    ("ESC_IDLE", "a moment: the ESCs must see idle pulses first", "a moment: ESCs must see idle"),
    ("BUTTON", "hold the arm button", ""),
    ("PACK_LOW", "a section is below its floor at rest: charge the packs", "charge packs: section low"),
    ("PACK_HIGH", "a section is above full: wrong pack or wrong cell count", "too full: is the pack right?"),
    ("SUPPLY", "the supply of the lever is too low", "lever supply is too low"),
    ("BRAKE", "release the brake", ""),
    ("RESTART", "cut the power and put it on again: the box has more sides, or other end points, than before",
     "restart the box: new end points"),
    ("BENCH_BUTTON", "hold the arm button to begin the bench run that the host asks for", "hold arm button: bench run"),
)
(WAIT_NOTHING, WAIT_NO_RIG, WAIT_SELF_CHECK, WAIT_STOP_CLOSED, WAIT_STOP_TEST, WAIT_LEVER_REST,
 WAIT_BUTTON_RELEASE, WAIT_ESC_IDLE, WAIT_BUTTON, WAIT_PACK_LOW, WAIT_PACK_HIGH, WAIT_SUPPLY,
 WAIT_BRAKE, WAIT_RESTART, WAIT_BENCH_BUTTON) = range(len(WAITS))

# Which limit holds the demand below what the lever asks for: (name, plain words).
LIMITS = (
    ("NONE", "nothing limits the lever"),
    ("ARMING", "not armed"),
    ("RAMP", "the ramp"),
    ("CUTBACK", "low-voltage cutback: the weakest section is near its floor"),
    ("SENSE", "weak sensing: a sense point is lost"),
    ("UNPROVEN", "a side's stop has not been proved on the bench"),
    ("SINGLE_TRACK", "the lever has a single track"),
    ("SIDE", "a side does not pull: dead fan, or its ESC waits for idle; bring the lever to rest"),
    ("BRAKE", "the brake; bring the lever to rest to go on"),
    ("SUPPLY", "the supply of the lever is too low"),
    ("SPEED", "the speed fade"),
    ("BENCH", "the pulse that the bench step asks for"),
)
(LIMIT_NONE, LIMIT_ARMING, LIMIT_RAMP, LIMIT_CUTBACK, LIMIT_SENSE, LIMIT_UNPROVEN,
 LIMIT_SINGLE_TRACK, LIMIT_SIDE, LIMIT_BRAKE, LIMIT_SUPPLY, LIMIT_SPEED, LIMIT_BENCH) = range(len(LIMITS))

# Warnings are bits of one word: (name, plain words).
WARNINGS = (
    ("LOW", "a section is low: plan the way home"),
    ("VERY_LOW", "a section is very low: stop soon"),
    ("CUTBACK", "thrust is being eased to spare a section"),
    ("SENSE", "a sense point is lost: fuse blown, wire broken or shorted"),
    ("OVER_VOLTAGE", "a section is above full: wrong pack or wrong cell count"),
    ("UNCALIBRATED", "voltages are nominal: not calibrated against a meter"),
    ("UNPROVEN", "thrust is capped: a side's stop is not proved"),
    ("LATE", "the control step came late"),
    ("SETTINGS", "settings on the box were damaged: older ones are in force, or defaults"),
    ("ADC", "an ADC part does not answer, or not as it should"),
    ("SIDE", "a side does not pull: dead fan, or its ESC waits for idle"),
    ("UNEVEN", "sections differ at rest: wrong divider, wrong cell count, or packs not charged alike"),
    ("LAST_STOP", "the last run ended in a stop that nobody has cleared: see `barbox faults`"),
    ("GROUND", "a heavy negative drops nearly too much: too thin, too long, or a bad contact"),
)
(WARN_LOW, WARN_VERY_LOW, WARN_CUTBACK, WARN_SENSE, WARN_OVER_VOLTAGE, WARN_UNCALIBRATED, WARN_UNPROVEN,
 WARN_LATE, WARN_SETTINGS, WARN_ADC, WARN_SIDE, WARN_UNEVEN, WARN_LAST_STOP,
 WARN_GROUND) = (1 << _n for _n in range(len(WARNINGS)))

# What is wrong with a sense point: (name, plain words).
SENSE_FAULTS = (
    ("OK", "reads believably"),
    ("OPEN", "reads near nothing: sense fuse blown or wire broken"),
    ("SHORTED", "reads the same as the point below: wires shorted together"),
    ("HIGH", "reads more than the cells can give: wrong divider, wrong tap or wrong cell count"),
    ("SILENT", "its ADC does not answer"),
    ("PART", "what answers at the address of its ADC does not behave like one: another part, or a broken one"),
    ("STUCK", "reads the very same while thrust changes and others follow: its ADC is stuck"),
)
(SENSE_OK, SENSE_OPEN, SENSE_SHORTED, SENSE_HIGH, SENSE_SILENT, SENSE_PART,
 SENSE_STUCK) = range(len(SENSE_FAULTS))

# Events: (name, what `a` holds, what `b` holds).
EVENTS = (
    ("BOOT", "reset cause", "before a watchdog reset: 256 * (state + 1) + cause; 0 not known"),
    ("STATE", "new state", "cause"),
    ("WARNING_ON", "bit number", "sense input, or 0"),
    ("WARNING_OFF", "bit number", "sense input, or 0"),
    ("ARM_REFUSED", "what the box waits for", ""),
    ("SENSE", "sense input, from 1", "sense fault"),
    ("LIMIT", "limit in force", "per mille"),
    ("OVERRUN", "ms since the step before", "count"),
    ("SETTINGS", "sequence number, low word", ""),
    ("ERROR", "part of the box, see PARTS", "count"),
    ("BENCH_STEP", "kind of step times 256, plus side from 1, 0 all", "pulse span, per mille"),
    ("BENCH_END", "why the step ended", "ms that it ran"),
    ("BENCH_WITHHELD", "side, from 1: no pulse is handed over any more", ""),
    ("IDLE_CHANGED", "side from 1 times 4096, plus idle before, us", "idle now, us"),
)
(EVENT_BOOT, EVENT_STATE, EVENT_WARNING_ON, EVENT_WARNING_OFF, EVENT_ARM_REFUSED, EVENT_SENSE, EVENT_LIMIT,
 EVENT_OVERRUN, EVENT_SETTINGS, EVENT_ERROR, EVENT_BENCH_STEP, EVENT_BENCH_END,
 EVENT_BENCH_WITHHELD, EVENT_IDLE_CHANGED) = range(len(EVENTS))

# Parts of the box that can fail: (name, plain words).
PARTS = (
    ("STEP", "the control step"),
    ("LINK", "the link"),
    ("STREAM", "the status stream"),
    ("HOUSE", "housekeeping"),
    ("ESTIMATOR", "the estimator"),
    ("SCREENS", "the screen"),
    ("SOUNDS", "the sounder"),
    ("LOG", "the event log"),
    ("STORE", "the settings on flash: a slot could not be read"),
)
(PART_STEP, PART_LINK, PART_STREAM, PART_HOUSE, PART_ESTIMATOR, PART_SCREENS, PART_SOUNDS,
 PART_LOG, PART_STORE) = range(len(PARTS))

# Why a request was refused: (name, plain words).
REFUSALS = (
    ("UNKNOWN_REQUEST", "the box does not know this request"),
    ("BAD_REQUEST", "the request was malformed"),
    ("UNKNOWN_SETTING", "the box has no such setting"),
    ("OUT_OF_RANGE", "the value is outside its limits"),
    ("NOT_LOCKED", "only while the box is LOCKED"),
    ("VERSION", "the box speaks another protocol version"),
    ("FLASH", "the box could not write its flash"),
    ("CONFLICT", "the settings contradict each other"),
    ("WIRED_ONLY", "only over the serial port"),
    ("NOT_OF_THIS_RUN", "no bench run has this token, or the count is not above the one before"),
    ("NOT_NOW", "the bench run is not at this point"),
    ("NOT_QUIET", "end points are learned only on a side that draws no current in a step after 3 s of rest"),
    ("BOX_ALONE", "the box alone sets this; a stop is proved with `barbox bench`"),
    ("NOT_SEEN", "the box has not itself seen this stop since its power came on: prove it again"),
)
(REFUSE_UNKNOWN_REQUEST, REFUSE_BAD_REQUEST, REFUSE_UNKNOWN_SETTING, REFUSE_OUT_OF_RANGE, REFUSE_NOT_LOCKED,
 REFUSE_VERSION, REFUSE_FLASH, REFUSE_CONFLICT, REFUSE_WIRED_ONLY, REFUSE_NOT_OF_THIS_RUN, REFUSE_NOT_NOW,
 REFUSE_NOT_QUIET, REFUSE_BOX_ALONE, REFUSE_NOT_SEEN) = range(len(REFUSALS))

# How far a bench run is: (name, plain words, words for the box's screen).
BENCH_PHASES = (
    ("NONE", "no bench run", ""),
    ("ASKED", "a host asks for a bench run: hold the arm button at the box", ""),
    ("RESTING", "rest between two steps", "bench run: rest"),
    ("IDLE", "ready for a step from the host", "bench run: waits for host"),
    ("CONFIRM", "end points: fan off this ESC? Press the arm button once", "FAN OFF the ESC? press arm button"),
    ("WAITING", "waits for hold: lever past half, or the arm button", "hold lever or arm button"),
    ("RUNNING", "the step runs while it is held", "let go to stop"),
    ("WITHHELD", "pulses of the side are withheld while it is held", "no pulses; let go to end"),
)
(BENCH_NONE, BENCH_ASKED, BENCH_RESTING, BENCH_IDLE, BENCH_CONFIRM, BENCH_WAITING, BENCH_RUNNING,
 BENCH_WITHHELD) = range(len(BENCH_PHASES))

# Kinds of bench step: (name, plain words).
BENCH_KINDS = (
    ("THRUST", "one side, or all, at a pulse"),
    ("WITHHOLD", "one side at a low pulse, then no pulses: how long does its ESC hold the last command?"),
    ("END_POINTS", "full pulse for an ESC that learns its end points, its fan disconnected"),
)
BENCH_THRUST, BENCH_WITHHOLD, BENCH_END_POINTS = range(len(BENCH_KINDS))

# Why a bench step ended: (name, plain words).
BENCH_ENDS = (
    ("NONE", "no step has ended yet"),
    ("RELEASED", "let go at the box"),
    ("TIME", "its time was up"),
    ("NOT_HELD", "nobody held lever or arm button in time"),
    ("HOST", "the host ended it"),
    ("FLOOR", "a section is at its floor"),
    ("SENSE", "a sense point is lost"),
    ("BRAKE", "the brake was pressed"),
    ("SUPPLY", "the supply of the lever is too low"),
    ("CHECK", "a self-check failed: see what arming waits for"),
    ("CURRENT", "the side drew current in end-point learning: is its fan connected?"),
    ("LATE", "the control step came late"),
    ("RUN", "the longest run was over"),
    ("HELD", "a protective stop: see its cause"),
)
(ENDED_NONE, ENDED_RELEASED, ENDED_TIME, ENDED_NOT_HELD, ENDED_HOST, ENDED_FLOOR, ENDED_SENSE, ENDED_BRAKE,
 ENDED_SUPPLY, ENDED_CHECK, ENDED_CURRENT, ENDED_LATE, ENDED_RUN, ENDED_HELD) = range(len(BENCH_ENDS))

# Why the box started: (name, plain words).
RESETS = (
    ("POWER", "power came on"),
    ("WATCHDOG", "the watchdog reset a stalled box"),
    ("SOFT", "restarted by software"),
    ("UNKNOWN", "unknown"),
)
RESET_POWER, RESET_WATCHDOG, RESET_SOFT, RESET_UNKNOWN = range(len(RESETS))


def words(table, number):
    """Plain words of row `number` of one of the tables above; a number of a newer version says so."""
    if 0 <= number < len(table):
        return table[number][1]
    return "number %d, unknown to this version" % number


def name(table, number):
    """Name of row `number` of one of the tables above; `#n` for a number of a newer version."""
    if 0 <= number < len(table):
        return table[number][0]
    return "#%d" % number
