"""Virtual time, and the one wire to the plant: the middle of the simulated board.

Time passes only here. `spend` is work that soft callbacks may interrupt, `hold` is work that they may not (a
long C call, flash), `wait` is idling. Whenever time reaches the horizon that the host gave with its last
answer, or a control step begins, what the firmware did is sent and what the world looks like is read back: one
exchange, in lock step. All of it is integers in fixed arrays, so that the firmware's own heap is what is seen.
"""

from array import array

import _costs

# What the host may find in a message: (kind, count of entries), now, then (time, op << 8 | id, value) each.
SYNC, RESET, ENDED = 0, 1, 2
PIO_PUT, PIO_ACTIVE, PIO_PROGRAM, PIO_EXEC, PIN_OUT, PWM_OUT, FLASH_OP, STARTED, DISPLAY, SCRATCH = range(1, 11)
PORT_WAIT = 11
ENTRIES = 20

# Where things stand in an answer.
HORIZON, PINS, STDIN, PENDING, ORDER, ORDER_ARG, PARTS, SENSE_UV, CHIP_UV, ANSWER = 0, 1, 2, 3, 4, 5, 6, 7, 15, 19
ORDER_NONE, ORDER_STALL, ORDER_FLASH_CUT, ORDER_FLASH_SLOW, ORDER_INTERRUPT = range(5)

cost = _costs.US
now = 0  # microseconds since power came on
ticks_base = 0  # what the tick counters showed then

# Not "q": reading one of those makes an object on the heap each time, as garbage that no board would have.
answer = array("l", [0] * ANSWER)
answer[HORIZON] = 1 << 60  # until the host is connected
_message = array("l", [0] * (2 + 3 * ENTRIES))
_count = 0
_to_host = None
_from_host = None
_sent = -1  # time of the last exchange

_timers = []
_depth = 0  # inside a soft callback: no other runs
_masked = False  # interrupts off
_irqs = {}  # pin: (handler, edges)
_irq_due = []
watchdog_us = 0
_watchdog_at = 1 << 60
_limit = 1 << 60  # the horizon or the watchdog, whichever comes first: up to there time just passes
_due = 1 << 60  # when the next soft callback falls due

interrupt = -1  # the byte that interrupts the program, -1 none
on_pending = None  # called with the bytes that the host has not taken, -1 when it reads
stdin_read = 0  # bytes the firmware has taken
flash_cut = -1  # flash operations left before the power goes, -1 never
flash_slow_us = 0  # added to the next erase


def connect(to_host, from_host):
    global _to_host, _from_host, now
    _to_host = to_host
    _from_host = from_host
    now = 0
    answer[PINS] = 0xFFFFFFFF
    exchange(SYNC)


def log(op, which, value):
    """Note something the firmware did, for the next exchange."""
    global _count
    if _to_host is None:
        return
    if _count == ENTRIES:
        exchange(SYNC)
    i = 2 + 3 * _count
    _message[i] = now
    _message[i + 1] = op << 8 | which
    _message[i + 2] = value
    _count += 1


def exchange(kind):
    """Send what happened up to now, read how the world looks now; pin interrupts come from here."""
    global _count, _sent, flash_cut, flash_slow_us
    pins = answer[PINS]
    _message[0] = kind << 32 | _count
    _message[1] = now
    _to_host.write(_message)
    _count = 0
    _sent = now
    if not _from_host.readinto(answer):
        raise SystemExit  # the host has gone
    _set_limit()
    on_pending(answer[PENDING])
    order = answer[ORDER]
    if _irqs and answer[PINS] != pins:
        _edges(pins, answer[PINS])
    if order == ORDER_STALL:
        hold(answer[ORDER_ARG])
    elif order == ORDER_FLASH_CUT:
        flash_cut = answer[ORDER_ARG]
    elif order == ORDER_FLASH_SLOW:
        flash_slow_us = answer[ORDER_ARG]
    elif order == ORDER_INTERRUPT and interrupt == 3:  # on the board it arrives between two bytecodes
        raise KeyboardInterrupt


def _edges(before, after):
    changed = before ^ after
    for pin, (handler, edges) in _irqs.items():
        if changed >> pin & 1 and edges & (1 if after >> pin & 1 else 2):
            if _masked:
                _irq_due.append(handler)
            else:
                handler()


def irq(pin, handler, edges):
    """A hard interrupt: `edges` 1 rising, 2 falling."""
    _irqs[pin] = (handler, edges)


def mask(on):
    """Interrupts off or on; returns whether they were off. What came meanwhile runs when they come on."""
    global _masked
    was = _masked
    _masked = on
    if not on:
        while _irq_due:
            _irq_due.pop(0)()
    return was


def _set_limit():
    global _limit
    _limit = answer[HORIZON] if answer[HORIZON] < _watchdog_at else _watchdog_at


def _pass_to(t):
    """Move the clock to `t`, with an exchange at each horizon and the watchdog looking on."""
    global now
    while t >= _limit:
        if _limit > now:
            now = _limit
        if now >= _watchdog_at:
            exchange(RESET)
            raise SystemExit
        exchange(SYNC)
        if t <= now:
            return
    if t > now:
        now = t


def _set_due():
    global _due
    _due = 1 << 60
    for t in _timers:
        if t.due < _due:
            _due = t.due


def _run_due():
    """Run the soft callbacks that are due, one after another, as the scheduler does between two bytecodes."""
    global _depth
    while _due <= now and not _depth and not _masked:
        for timer in _timers:
            if timer.due == _due:
                break
        timer.next()
        _set_due()
        _depth += 1
        try:
            _pass_to(now + cost["timer"])
            if _sent < now:
                exchange(SYNC)
            timer.callback(timer)
        finally:
            _depth -= 1


def spend(us):
    """Work of the interpreter: soft callbacks that fall due interrupt it and prolong it."""
    global now
    while True:
        t = now + us
        if t < _limit and (t < _due or _depth):
            now = t
            return
        if _depth or _masked or _due > t:
            _pass_to(t)
            return
        if _due > now:
            us -= _due - now
            _pass_to(_due)
        _run_due()


def hold(us):
    """A C call or a stall: soft callbacks wait until it is over."""
    global now
    t = now + us
    if t < _limit and (t < _due or _depth):
        now = t
        return
    _pass_to(t)
    _run_due()


def wait(us, ready):
    """Idle until `ready()` or for `us` (forever when negative); returns whether it is ready."""
    end = now + us if us >= 0 else 1 << 60
    while True:
        if ready():
            return True
        if end <= now:
            return False
        stop = _limit
        if _due < stop and not _depth:
            stop = _due
        if end < stop:
            stop = end
        _pass_to(stop)
        _run_due()


def add_timer(timer):
    if timer not in _timers:
        _timers.append(timer)
    _set_due()


def remove_timer(timer):
    if timer in _timers:
        _timers.remove(timer)
    _set_due()


def feed_watchdog(timeout_us=0):
    global watchdog_us, _watchdog_at
    if timeout_us:
        watchdog_us = timeout_us
    _watchdog_at = now + watchdog_us
    _set_limit()


def stdin_waiting():
    return answer[STDIN] - stdin_read


_fifo = [0] * 8  # words waiting in each state machine
_frame = [0] * 8  # frames that each has seen
_clocks = {}  # machine of each frame clock
_clock_started = [-1, -1]  # of each block


def pio_program(machine, words, name, gpio):
    is_clock = name == "frame_clock"
    log(PIO_PROGRAM, machine, gpio << 8 | (1 if is_clock else 0))
    _fifo[machine] = 0
    _clocks[machine] = is_clock


def pio_exec(machine, word):
    log(PIO_EXEC, machine, word)
    if word & 0xE080 == 0x8080:  # pull: the word goes to OSR
        _fifo[machine] = max(0, _fifo[machine] - 1)


def pio_active(machine, on):
    spend(cost["pio"])
    log(PIO_ACTIVE, machine, 1 if on else 0)
    if _clocks.get(machine):
        block = machine >> 2
        _clock_started[block] = now if on else -1
        for m in range(4 * block, 4 * block + 4):
            _frame[m] = 0


def pio_put(machine, word):
    _drain(machine)
    _fifo[machine] += 1
    log(PIO_PUT, machine, word)


def pio_fifo(machine):
    _drain(machine)
    return _fifo[machine]


def _drain(machine):
    """Each frame since the last look took one word, if there was one."""
    started = _clock_started[machine >> 2]
    if started >= 0 and not _clocks.get(machine):
        frame = (now - started - 19998 - (machine & 3)) // 20000 + 1  # pulls so far, to the microsecond
        _fifo[machine] = max(0, _fifo[machine] - (frame - _frame[machine]))
        _frame[machine] = frame
