"""The words of the screens: which warning has its turn, what it is about, and what leads out of HELD."""

from shared_proto.messages import SIDES_MAX
from shared_proto.states import (
    CAUSE_BENCH_HOST,
    CAUSE_GROUND,
    CAUSE_LEVER_RANGE,
    CAUSE_LEVER_TRACKS,
    CAUSE_NONE,
    CAUSE_SENSING_LOST,
    CAUSE_STOP_OPEN,
    CAUSE_SUPPLY,
    CAUSES,
    HELD_END,
    SENSE_OK,
    WARN_ADC,
    WARN_CUTBACK,
    WARN_GROUND,
    WARN_LAST_STOP,
    WARN_LATE,
    WARN_LOW,
    WARN_OVER_VOLTAGE,
    WARN_SENSE,
    WARN_SETTINGS,
    WARN_SIDE,
    WARN_UNCALIBRATED,
    WARN_UNEVEN,
    WARN_UNPROVEN,
    WARN_VERY_LOW,
    WARNINGS,
)

# What takes the bottom of the riding screen, the most urgent first; the rest has no hurry.
_URGENT = (WARN_CUTBACK, WARN_SENSE, WARN_SIDE, WARN_VERY_LOW, WARN_LOW, WARN_ADC, WARN_GROUND, WARN_OVER_VOLTAGE,
           WARN_LATE, WARN_SETTINGS)
_QUIET = (WARN_LAST_STOP, WARN_UNEVEN, WARN_UNCALIBRATED, WARN_UNPROVEN)


def in_turn(warnings, all_of_them, turn):
    """The warning bit that turn number `turn` shows, 0 for none. With `all_of_them`, also those without hurry, the
    state itself takes turns with them."""
    if warnings & WARN_VERY_LOW:
        warnings &= ~WARN_LOW
    count = 1 if all_of_them else 0
    for bit in _URGENT:
        if warnings & bit:
            count += 1
    if all_of_them:
        for bit in _QUIET:
            if warnings & bit:
                count += 1
    if count == 0:
        return 0
    turn %= count
    if all_of_them:
        if turn == 0:
            return 0
        turn -= 1
    for bits in (_URGENT, _QUIET):
        for bit in bits:
            if warnings & bit:
                if turn == 0:
                    return bit
                turn -= 1
    return 0


def quiet(warnings):
    """The first warning without hurry, 0 for none."""
    for bit in _QUIET:
        if warnings & bit:
            return bit
    return 0


def first_lost(c):
    """The first sense input that is not believed, from 1; 0 for none."""
    for i in range(c.sense.first[SIDES_MAX]):
        n = c.sense.order[i]
        if c.sense.fault[n] != SENSE_OK:
            return n + 1
    return 0


def about(c, warning):
    """The sense input that a warning is about, from 1; 0 for none."""
    if warning == WARN_SENSE:
        return first_lost(c)
    return c.uneven.section + 1 if warning == WARN_UNEVEN else 0


def warning_words(warning, which):
    """Of a warning about the sense input `which`."""
    return "%s %d" % (name(warning), which) if which else name(warning)


def way_out(c, cause, turn):
    """What to do about HELD: the repair, and what leads out of HELD once it is done, as far as that can be seen. Where
    it cannot, the two take turns."""
    return HELD_END if _repaired(c, cause, turn) else CAUSES[cause][2]


def _repaired(c, cause, turn):
    if cause == CAUSE_BENCH_HOST or cause == CAUSE_GROUND:
        return turn & 1
    if cause == CAUSE_STOP_OPEN:
        return c.inputs.stop_closed
    if cause == CAUSE_LEVER_RANGE or cause == CAUSE_LEVER_TRACKS:
        return c.lever.cause == CAUSE_NONE
    if cause == CAUSE_SENSING_LOST:
        return not c.strings.blind
    if cause == CAUSE_SUPPLY:
        return not c.limits.conditions.supply_low
    return False


def name(bit):
    """Of a warning bit."""
    for n in range(len(WARNINGS)):
        if bit == 1 << n:
            return WARNINGS[n][0].replace("_", " ")
    return ""
