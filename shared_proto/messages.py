"""The message table: every message and every field of it, once.

The packer of both VMs, the host's records and numpy types, the CSV header and the documentation derive from it.
A body is `kind` (u8), `number` (u16), then the fields, little-endian. `number` is the request number of a
request and of its answer, and a running count in what the box sends unasked, so that gaps can be counted.
A newer minor version may only append fields; readers ignore a longer tail.
"""

import struct

MAJOR = 1
MINOR = 3

SIDES_MAX = 4  # fans of one rig
SENSES_MAX = 8  # sense inputs of one box: two four-channel ADCs
NOT_KNOWN_MV = 0xFFFF  # a section or sense point that cannot be believed just now

_HEAD = "<BH"


class Message:
    """One row of the table: what may be sent, by whom, with which fields.

    `fields` is a tuple of (name, struct code, unit, help); a code with a count ("8H") is an array, "16s" is
    text padded with NUL, and "*" (last field only) is the rest of the body.
    """

    def __init__(self, kind, name, sender, help, fields):
        self.kind = kind
        self.name = name
        self.sender = sender
        self.help = help
        self.fields = fields
        self.tail = bool(fields) and fields[-1][1] == "*"
        self.format = _HEAD + "".join([f[1] for f in fields if f[1] != "*"])
        self.size = struct.calcsize(self.format)

    def pack(self, number, *values):
        """Body (bytes) from the flat values of all fields; arrays flattened, the `*` field last."""
        if self.tail:
            return struct.pack(self.format, self.kind, number & 0xFFFF, *values[:-1]) + values[-1]
        return struct.pack(self.format, self.kind, number & 0xFFFF, *values)

    def unpack(self, body):
        """Flat values (tuple), `kind` and `number` first. Raises ValueError when the body is too short."""
        if len(body) < self.size:
            raise ValueError("%s of %d bytes, needs %d" % (self.name, len(body), self.size))
        values = struct.unpack(self.format, body[: self.size])
        return values + (body[self.size :],) if self.tail else values


HELLO = Message(1, "hello", "host", "opens a session", (
    ("major", "B", "", "protocol version of the host"),
    ("minor", "B", "", "protocol version of the host"),
))
IDENTITY = Message(2, "identity", "box", "answers hello", (
    ("major", "B", "", "protocol version of the box"),
    ("minor", "B", "", "protocol version of the box"),
    ("firmware", "12s", "", "firmware version"),
    ("board", "12s", "", "board file in use"),
    ("serial", "16s", "", "serial number of the chip, hexadecimal"),
    ("rig", "16s", "", "name of the rig whose settings are on the box"),
    ("reset", "B", "", "why the box started, see RESETS"),
    ("settings_crc", "I", "", "CRC-32 of the settings table, so that both sides know they share it"),
    ("settings_seq", "I", "", "sequence number of the settings on flash, 0 for defaults"),
    ("heap_free_bytes", "I", "byte", "heap free after the last collection"),
    ("uncertainty_mv", "H", "mV", "expanded uncertainty (95 %) of a string voltage as the box knows it"),
    ("side_uncertainty_mv", "4H", "mV",
     "expanded uncertainty (95 %) of each string near full, without current; drift of the reference included"),
    ("side_growth_mv", "4H", "mV", "what ground offset adds to that at 100 A; 0 where the pack negative is sensed"),
    ("side_drift_mv", "4H", "mV", "how far the drift of the ADC's reference since calibration can move each string"),
    ("section_uncertainty_mv", "8H", "mV", "the same as of a string, of the section below each sense input"),
    ("boots", "H", "", "how often the box has started, this time included, as far as its flash tells"),
))
STATUS = Message(3, "status", "box", "all that a rider or a reviewer needs, at stream_hz", (
    ("time_ms", "I", "ms", "time since the box started"),
    ("unix_s", "I", "s", "wall clock, 0 until a host has set it"),
    ("state", "B", "", "box state, see STATES"),
    ("cause", "B", "", "why the box is HELD, see CAUSES"),
    ("waits", "B", "", "what arming waits for, see WAITS"),
    ("limit", "B", "", "limit in force, see LIMITS"),
    ("limit_pm", "H", "per mille", "the lowest limit"),
    ("warnings", "H", "", "warning bits, see WARNINGS"),
    ("lever_pm", "H", "per mille", "what the lever asks for"),
    ("demand_pm", "H", "per mille", "what is given, after limits and ramp; in a bench run, of the pulse span"),
    ("lever_a_mv", "H", "mV", "lever track A at the ADC pin"),
    ("lever_b_mv", "H", "mV", "lever track B at the ADC pin"),
    ("inputs", "B", "", "bit 0 stop loop closed, 1 arm button pressed, 2 brake pressed, 3 rest switch closed"),
    ("weakest", "B", "", "sense input at the top of the weakest section, 0 none"),
    ("weakest_cell_mv", "H", "mV", "mean cell voltage of the weakest section, less the spread allowance"),
    ("pulse_us", "4H", "us", "pulse width of each side"),
    ("sense_mv", "8H", "mV", "voltage at each sense input, 65535 when not believed"),
    ("section_mv", "8H", "mV", "voltage of the section below each sense input, 65535 when not known"),
    ("sense_fault", "8B", "", "what is wrong with each sense input, see SENSE_FAULTS"),
    ("overruns", "H", "", "frames in which the step was missed, since start"),
    ("late_us", "H", "us", "latest start of a step since the last status"),
    ("step_us", "H", "us", "longest step since the last status"),
    ("events_lost", "H", "", "events that found no room, since start"),
    ("supply_mv", "H", "mV", "supply of the lever, 0 when not sensed"),
    ("speed_dmh", "H", "0.1 km/h", "speed by the wheel sensor, 0 when not fitted"),
    ("current_da", "4H", "0.1 A", "current of each side, by sensor or by the measured curve, 65535 when not known"),
    ("rest_cell_mv", "H", "mV", "the weakest section's mean cell voltage as it would be at rest, 65535 when not known"),
    ("charge_pm", "4H", "per mille", "charge left in each string, 65535 when not known"),
    ("minutes_left", "H", "min", "at the present use, 65535 when not known"),
    ("bench_phase", "B", "", "how far a bench run is, see BENCH_PHASES"),
    ("bench_side", "B", "", "side of the bench step from 1, 0 all"),
    ("bench_steps", "H", "", "bench steps begun in this run"),
    ("bench_end", "B", "", "why the last bench step ended, see BENCH_ENDS"),
    ("bench_left_ms", "H", "ms", "left of the step, the rest or the wait, at most 65535"),
))
EVENT = Message(4, "event", "box", "something happened", (
    ("time_ms", "I", "ms", "when, since the box started"),
    ("event", "B", "", "which, see EVENTS"),
    ("a", "H", "", "see EVENTS"),
    ("b", "H", "", "see EVENTS"),
))
SETTING_GET = Message(5, "setting_get", "host", "asks for one setting", (
    ("row", "B", "", "row of the settings table"),
    ("index", "B", "", "which side or sense input, from 0"),
))
SETTING = Message(6, "setting", "box", "answers setting_get", (
    ("row", "B", "", "row of the settings table"),
    ("index", "B", "", "which side or sense input, from 0"),
    ("value", "*", "", "the value, packed with the code of its row"),
))
SETTING_PUT = Message(7, "setting_put", "host", "changes one setting in RAM, only while LOCKED", (
    ("row", "B", "", "row of the settings table"),
    ("index", "B", "", "which side or sense input, from 0"),
    ("value", "*", "", "the value, packed with the code of its row"),
))
SETTING_COMMIT = Message(8, "setting_commit", "host", "writes what was put to flash and puts it in force", ())
SETTING_DROP = Message(9, "setting_drop", "host", "forgets what was put and not committed", ())
TIME_SET = Message(10, "time_set", "host", "tells the box the wall clock", (
    ("unix_s", "I", "s", "seconds since 1970-01-01 UTC"),
))
DONE = Message(11, "done", "box", "the request was carried out", ())
REFUSED = Message(12, "refused", "box", "the request was not carried out", (
    ("reason", "B", "", "see REFUSALS"),
))
SENSE_GET = Message(26, "sense_get", "host", "asks for what the sense inputs read, before any calibration", ())
SENSE_CODES = Message(27, "sense_codes", "box", "answers sense_get", (
    ("time_ms", "I", "ms", "time since the box started"),
    ("state", "B", "", "box state, see STATES"),
    ("code", "8i", "", "latest code of the ADC at each sense input, believed or not"),
    ("reading", "8H", "", "running number of that reading; it changes with each new one"),
))
BENCH_ASK = Message(20, "bench_ask", "host", "asks for a bench run, over the serial port, while LOCKED", ())
BENCH_OFFER = Message(21, "bench_offer", "box", "answers bench_ask: hold the arm button at the box within 30 s", (
    ("token", "I", "", "of this run, drawn at random"),
    ("cap_pm", "4H", "per mille", "most pulse span of a step, for each side"),
    ("low_pm", "H", "per mille", "most pulse span at which pulses are withheld"),
    ("step_ms", "H", "ms", "longest step"),
    ("run_s", "H", "s", "longest run"),
    ("rest_ms", "H", "ms", "rest before each step"),
    ("silent_ms", "H", "ms", "without a beat for this long, pulses go idle"),
))
BENCH_BEAT = Message(22, "bench_beat", "host", "shows that the host is there; no answer but a refusal", (
    ("token", "I", "", "of this run"),
    ("count", "I", "", "above that of every beat before"),
))
BENCH_STEP = Message(23, "bench_step", "host", "readies a step; it runs while lever or arm button is held", (
    ("token", "I", "", "of this run"),
    ("count", "I", "", "above that of every such message before, beats apart"),
    ("what", "B", "", "kind of step, see BENCH_KINDS"),
    ("side", "B", "", "side from 1, 0 all"),
    ("pulse_pm", "H", "per mille", "of the pulse span, idle to full"),
    ("time_ms", "H", "ms", "longest time, ramp included"),
))
BENCH_DROP = Message(24, "bench_drop", "host", "ends the step, or withdraws it; the run goes on", (
    ("token", "I", "", "of this run"),
    ("count", "I", "", "above that of every such message before, beats apart"),
))
BENCH_END = Message(25, "bench_end", "host", "ends the run: idle, then LOCKED", (
    ("token", "I", "", "of this run"),
    ("count", "I", "", "above that of every such message before, beats apart"),
))
BENCH_PROVE = Message(28, "bench_prove", "host", "asks for the proof of a stop that the box itself has seen", (
    ("token", "I", "", "of the run in which the stop loop was opened"),
    ("side", "B", "", "side from 1"),
))
BENCH_PROOF = Message(29, "bench_proof", "box", "answers bench_prove: written, and the cap of the side is gone", (
    ("mark", "I", "", "ties the proof to box, run and side, see settings.proof_mark"),
))
LOG_GET = Message(13, "log_get", "host", "asks for stored events", (
    ("first", "I", "", "number of the first event wanted; events are numbered from 0 since the log began"),
))
LOG = Message(14, "log", "box", "answers log_get: some of the events that survive a reset, oldest first", (
    ("first", "I", "", "number of the first event here; more than was asked for when older ones had to make room"),
    ("end", "I", "", "one more than the number of the newest event in the log"),
    ("count", "B", "", "events here; the rest of each array is 0"),
    ("boot", "10H", "", "which start of the box, see boots of identity"),
    ("time_ms", "10I", "ms", "when, since that start"),
    ("unix_s", "10I", "s", "wall clock then, 0 when no host had set it"),
    ("event", "10B", "", "which, see EVENTS"),
    ("times", "10B", "", "how often within a few seconds of each other; 255 for that or more"),
    ("a", "10H", "", "see EVENTS"),
    ("b", "10H", "", "see EVENTS"),
))
FAULTS_GET = Message(15, "faults_get", "host", "asks for the counters of faults", (
    ("clear", "B", "", "1: then count anew and forget the stored events; only while LOCKED"),
))
FAULTS = Message(16, "faults", "box", "answers faults_get: counts that survive a reset; 65535 for that or more", (
    ("boots", "H", "", "how often the box has started"),
    ("since_boot", "H", "", "start of the box at which counting began"),
    ("held", "16H", "", "times HELD by each cause, see CAUSES"),
    ("sense", "8H", "", "times that a sense input got each fault, see SENSE_FAULTS"),
    ("resets", "8H", "", "starts by each reset cause, see RESETS"),
    ("errors", "16H", "", "times that each part of the box failed, see PARTS"),
    ("overruns", "H", "", "times that the control step came late by a frame or more"),
    ("unlogged", "H", "", "events that the log never saw"),
    ("last_cause", "B", "", "the last HELD: its cause, 0 none yet, see CAUSES"),
    ("last_boot", "H", "", "the last HELD: start of the box"),
    ("last_time_ms", "I", "ms", "the last HELD: since that start"),
    ("last_unix_s", "I", "s", "the last HELD: wall clock, 0 when no host had set it"),
    ("unseen", "B", "", "cause of a stop that no rider has cleared, 0 none, see CAUSES; 128 more: by the watchdog"),
    ("unsaved", "B", "", "1: something here is not yet on flash"),
    ("writes", "I", "", "writes of the log to flash"),
    ("write_errors", "H", "", "writes that failed since this start"),
    ("bad_frames", "H", "", "frames that came damaged since this start"),
    ("oversized_frames", "H", "", "frames that came too long since this start"),
))

MESSAGES = (HELLO, IDENTITY, STATUS, EVENT, SETTING_GET, SETTING, SETTING_PUT, SETTING_COMMIT, SETTING_DROP,
            TIME_SET, DONE, REFUSED,
            SENSE_GET, SENSE_CODES,
            BENCH_ASK, BENCH_OFFER, BENCH_BEAT, BENCH_STEP, BENCH_DROP, BENCH_END, BENCH_PROVE, BENCH_PROOF,
            LOG_GET, LOG, FAULTS_GET, FAULTS)
BY_KIND = {m.kind: m for m in MESSAGES}


def head(body):
    """(kind, number) of a body; (0, 0), which is no message, when it is too short for a head."""
    return struct.unpack(_HEAD, body[:3]) if len(body) >= 3 else (0, 0)
