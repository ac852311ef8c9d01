"""Estimates for the whole box at 5 Hz, outside the step: current, sag, voltage at rest, charge, minutes left.

Runs on CPython and MicroPython alike. Floats of single precision are enough; state is bounded and made once.
"""

from services import estimate_keep
from services.estimate_charge import Charge
from services.estimate_idle import Idle
from services.estimate_sag import Sag, SlowCurrent
from shared_proto.messages import NOT_KNOWN_MV, SENSES_MAX, SIDES_MAX

NOT_KNOWN = 0xFFFF

_SPOOL_S = 0.35  # current follows the demand this much later (common practice, no source)
_MEAN_S = 1.0  # what the slower estimates are fed with
_REST_MEAN_S = 2.0
_CELL_LEAST_MV, _CELL_MOST_MV = 1000, 4600  # outside, a mean cell voltage is no voltage

# Series resistance times capacity of a high-rate cell, milliohm Ah, and bounds in milliohm (common practice, no source)
_MOHM_AH = 15.0
_MOHM = 2.0  # capacity not stated
_MOHM_LEAST, _MOHM_MOST = 0.3, 30.0
_FULL_MV, _FULL_LEAST_MV, _FULL_MOST_MV = 150.0, 10.0, 1500.0  # the same as sag at full, where no current is known
_REF_A = 100.0  # unit of current where the curve was not measured
_LOAD_X = 0.05  # of full current: more is a load
_DRAWS = 0.05  # of what demand should draw: a side that a sensor sees draw less stands idle
_UNSEEN_A = 5000  # a sensor above this, in 0.1 A, is broken


class _Side:
    """Current of one side, `x` in units of `ref_a`."""

    def __init__(self):
        self.slow = SlowCurrent()
        self.charge = Charge()
        self.idle = Idle()
        self.sections: list = []
        self.shape = [0.0] * 12
        self.curves: tuple = ()
        self.start((0,) * 11, (0,) * 11, 0)

    def start(self, current_da, pulse_pm, capacity_mah):
        """Begin with the measured current and the pulse span at each tenth of demand; the former all 0: unknown."""
        full_da = max(current_da)
        self.curve_known = full_da > 0
        self.ref_a = 0.1 * full_da if full_da else _REF_A
        for i in range(11):
            if full_da:
                self.shape[i] = current_da[i] / full_da
            else:  # speed follows the pulse, power the cube of the speed (fan law)
                share = pulse_pm[i] * 0.001
                self.shape[i] = share * share * share
        self.shape[11] = self.shape[10]
        self.capacity_mah = capacity_mah
        self.full = 1.0  # current at full thrust: learned from a sensor
        self.sensed = False  # by a sensor, now
        self.known = self.curve_known  # in amperes
        self.x = 0.0
        self.asked = 0.0  # what it should be; more than `x` on a side that stands idle
        self.idle.start()
        self.wanted = 0.0  # what the demand should draw once spooled up
        self.restart_mean()
        self.slow.set((0.0, 0.0, 0.0))
        self.charge.start(self.full_s())

    def restart_mean(self):
        self.sum = 0.0
        self.least = self.most = self.x

    def full_s(self):
        """Seconds in which `x` = 1 empties the string; 0 when not known."""
        return 3.6 * self.capacity_mah / self.ref_a if self.known and self.capacity_mah else 0.0

    def update(self, demand_pm, sensor_da, dt_s):
        demand_pm = min(max(demand_pm, 0), 1000)
        i = demand_pm // 100
        low = self.shape[i]
        shape = low + (self.shape[i + 1] - low) * (demand_pm - 100 * i) * 0.01
        self.wanted += (shape - self.wanted) * (dt_s / (_SPOOL_S + 0.5 * dt_s) if dt_s < _SPOOL_S else 1.0)
        sensed = 0 <= sensor_da <= _UNSEEN_A
        known = sensed or self.curve_known
        self.asked = sensor_da * 0.1 / self.ref_a if sensed else self.full * self.wanted
        self.x = 0.0 if self.idle.idle and not sensed else self.asked
        if sensed != self.sensed or known != self.known:
            self.sensed = sensed
            self.known = known
            self.charge.stated(self.full_s(), sensed)
        self.sum += self.asked * dt_s
        self.least = min(self.least, self.x)
        self.most = max(self.most, self.x)

    def close(self, mean, dt_s):
        """Once a second, with the mean current meanwhile."""
        self.slow.update(mean, dt_s)
        self.charge.count(mean, dt_s)
        draws = mean > _DRAWS * self.wanted
        if self.sensed and draws and self.wanted > 0.15 and self.most - self.least < 0.1 * self.most:
            ratio = min(max(mean / self.wanted, 0.1), 10.0)
            self.full += (ratio - self.full) * min(0.1 * dt_s, 1.0)


class _Section:
    """One section and its mean over the second at hand."""

    def __init__(self):
        self.sag = Sag()
        self.side = -1
        self.top = 0  # cells below its sense input
        self.cells = 0  # in it just now: more, when the tap below is lost
        self.rest_mv = -1.0  # of a mean cell
        self.sum = 0.0
        self.time = 0.0
        self.mean_mv = -1.0  # of the second before
        self.before_mv = self.early_mv = -1.0  # one and two seconds earlier
        self.ref_mv = -1.0  # of a second at rest, the last one

    def afresh(self):
        """What was seen so far is of no use: another section, or none."""
        self.rest_mv = self.mean_mv = self.before_mv = self.early_mv = self.ref_mv = -1.0
        self.sum = self.time = 0.0


class Estimator:
    """One for the box. Results, lists of whole numbers, 65535 where not known:

    `current_da[4]`: current of each side, 0.1 A; `rest_cell_mv[8]`: mean cell voltage of the section below each
    sense input as it would be at rest; `weakest_rest_cell_mv`: the least of them; `sag_cell_mv[8]`: rest less
    loaded now; `resistance_mohm_x10[8]`: of a mean cell and its share of the leads, what a step to half of full
    current shows within a second, in 0.1 milliohm; `full_sag_cell_mv[8]`: sag after 10 s of full thrust from now
    on; `charge_pm[4]`: left in the weakest section of each string; `minutes_left`: at the mean use of the last
    three minutes, until a string has 10 % left.
    """

    def __init__(self):
        self.current_da = [NOT_KNOWN] * SIDES_MAX
        self.rest_cell_mv = [NOT_KNOWN_MV] * SENSES_MAX
        self.weakest_rest_cell_mv = NOT_KNOWN_MV
        self.sag_cell_mv = [NOT_KNOWN_MV] * SENSES_MAX
        self.resistance_mohm_x10 = [NOT_KNOWN] * SENSES_MAX
        self.full_sag_cell_mv = [NOT_KNOWN_MV] * SENSES_MAX
        self.charge_pm = [NOT_KNOWN] * SIDES_MAX
        self.minutes_left = NOT_KNOWN
        self.idle_side = -1  # a side that the step found to draw nothing, -1 none; set from outside
        self._count = 0
        self._sides = [_Side() for _ in range(SIDES_MAX)]
        self._sections = [_Section() for _ in range(SENSES_MAX)]
        self._mean = [0.0] * SIDES_MAX
        self._blur = [0.0] * SIDES_MAX
        self._drift = [0.0] * SIDES_MAX
        self._astray = [0.0] * SIDES_MAX
        self._time = 0.0
        self._closed_s = 0.0
        self._next = SENSES_MAX  # the section whose turn it is, so that one update does not do them all

    def configure(self, values):
        """Take over the settings (Values). A side, or a section, that is the same keeps what it has learned."""
        get = values.get
        self._count = get("sides")
        same = [False] * SIDES_MAX
        for s in range(SIDES_MAX):
            side = self._sides[s]
            curves = (tuple(get("side.current_da", s)), tuple(get("side.curve", s)), get("side.capacity_mah", s))
            same[s] = curves == side.curves
            if not same[s]:
                side.curves = curves
                side.start(*curves)
            if not same[s] or s >= self._count:
                self.current_da[s] = self.charge_pm[s] = NOT_KNOWN
        for n in range(SENSES_MAX):
            section = self._sections[n]
            side = get("sense.side", n) - 1 if get("sense.kind", n) == 0 else -1
            top = get("sense.cells", n)
            if side >= self._count or not top:
                side = -1
            if side < 0 or side != section.side or top != section.top or not same[side]:
                section.side = side
                section.top = top
                section.afresh()
                if side >= 0:
                    self._guess(section)
            self._show_unknown(n)
        for s in range(SIDES_MAX):
            self._sides[s].sections = [section for section in self._sections if section.side == s]

    def _guess(self, section):
        side = self._sides[section.side]
        if side.curve_known:
            ah = side.capacity_mah * 0.001
            mohm = min(max(_MOHM_AH / ah, _MOHM_LEAST), _MOHM_MOST) if ah else _MOHM
            most_mv = min(_MOHM_MOST * side.ref_a, _FULL_MOST_MV)
            section.sag.start(min(mohm * side.ref_a, most_mv), _MOHM_LEAST * side.ref_a, most_mv)
        else:
            section.sag.start(_FULL_MV, _FULL_LEAST_MV, _FULL_MOST_MV)

    def update(self, dt_s, sections_mv, section_cells, demand_pm, current_da_sensor):
        """One update, `dt_s` seconds after the one before (0.2 as a rule; counted as 0.02..2).

        `sections_mv[n]`: mean voltage meanwhile of the section whose top is sense input n, 65535 when not known;
        `section_cells[n]`: its cells; `demand_pm[side]`: mean demand; `current_da_sensor[side]`: by a sensor,
        0.1 A, or 65535.
        """
        dt_s = min(max(dt_s, 0.02), 2.0)
        for s in range(self._count):
            side = self._sides[s]
            side.update(demand_pm[s], current_da_sensor[s], dt_s)
            self.current_da[s] = int(side.x * side.ref_a * 10.0 + 0.5) if side.known else NOT_KNOWN
        weakest = NOT_KNOWN_MV
        for n in range(SENSES_MAX):
            if self._sections[n].side >= 0:
                self._rest(n, sections_mv[n], section_cells[n], dt_s)
                if self.rest_cell_mv[n] < weakest:
                    weakest = self.rest_cell_mv[n]
        self.weakest_rest_cell_mv = weakest
        self._time += dt_s
        for _ in range(2):
            if self._next < SENSES_MAX:
                self._learn(self._next)
                self._next += 1
        if self._time >= _MEAN_S - 0.05:
            while self._next < SENSES_MAX:  # after updates much longer than they should be
                self._learn(self._next)
                self._next += 1
            self._close()

    def _rest(self, n, mv, cells, dt_s):
        section = self._sections[n]
        side = self._sides[section.side]
        cell_mv = mv / cells if mv != NOT_KNOWN_MV and cells > 0 else 0.0
        if not _CELL_LEAST_MV < cell_mv < _CELL_MOST_MV:
            section.afresh()
            self._show_unknown(n)
            return
        if cells != section.cells:
            section.cells = cells
            section.afresh()
            section.sag.rest_mv = -1.0
        sag = section.sag
        sag_mv = max(sag.loss_mv(side.x, side.slow.value), 0.0)
        if section.rest_mv < 0.0:
            section.rest_mv = cell_mv + sag_mv
        else:
            section.rest_mv += (cell_mv + sag_mv - section.rest_mv) * (dt_s / (_REST_MEAN_S + dt_s))
        section.sum += cell_mv * dt_s
        section.time += dt_s
        self.rest_cell_mv[n] = min(max(int(section.rest_mv + 0.5), 0), 6000)
        self.sag_cell_mv[n] = min(int(sag_mv + 0.5), 6000)

    def _close(self):
        """The end of a second: sides at once, sections one after the other in the updates to come."""
        time = self._time
        for section in self._sections:
            section.early_mv = section.before_mv
            section.before_mv = section.mean_mv
            section.mean_mv = section.sum / section.time if section.time > 0.6 * time else -1.0
            section.sum = section.time = 0.0
        for s in range(self._count):
            side = self._sides[s]
            mean = side.sum / time
            if side.sensed:
                side.idle.start()
            else:
                side.idle.judge(side.sections, mean, side.slow.value, s == self.idle_side, time)
                if side.idle.idle:
                    side.x = mean = 0.0
                    side.least = side.most = 0.0
            self._mean[s] = mean
            self._blur[s] = side.most - side.least
            side.restart_mean()
            side.close(mean, time)
            self._drift[s] = side.charge.fall_mv(mean, time)
            self._see(s, time)
        minutes = -1.0
        for s in range(self._count):
            of_side = self._sides[s].charge.minutes()
            if of_side >= 0.0 and (minutes < 0.0 or of_side < minutes):
                minutes = of_side
        self.minutes_left = int(minutes) if 0.0 <= minutes < 1440.0 else NOT_KNOWN
        self._closed_s = time
        self._time = 0.0
        self._next = 0

    def _see(self, s, time):
        """Charge of a side: by its best section, less what the weakest has less than the best."""
        side = self._sides[s]
        best = weakest = None
        for section in side.sections:
            if section.rest_mv >= 0.0:
                if best is None or section.rest_mv > best.rest_mv:
                    best = section
                if weakest is None or section.rest_mv < weakest.rest_mv:
                    weakest = section
        charge = side.charge
        self._astray[s] = 0.0
        if best is not None and weakest is not None:
            if self._mean[s] > _LOAD_X:
                self._astray[s] = charge.astray_mv(best.rest_mv)
            charge.see(best.rest_mv, best.sag.error_mv(side.x, side.slow.value), time)
            charge.compare(best.rest_mv, weakest.rest_mv, time)
        left_pm = charge.left_pm()
        self.charge_pm[s] = int(left_pm + 0.5) if left_pm >= 0.0 else NOT_KNOWN

    def _learn(self, n):
        section = self._sections[n]
        s = section.side
        if s < 0 or section.mean_mv < 0.0:
            return
        side = self._sides[s]
        sag = section.sag
        drift_mv = self._drift[s]
        error_mv = drift_mv * side.charge.fall_error()
        sag.update(section.mean_mv, self._mean[s], side.slow, drift_mv, error_mv, self._blur[s], self._closed_s)
        astray_mv = self._astray[s]
        if astray_mv != 0.0 and sag.rest_mv > 0.0:
            sag.correct(astray_mv, self._closed_s)
        full_mv = max(sag.loss_mv(side.full, side.slow.after_10s(side.full)), 0.0)
        self.full_sag_cell_mv[n] = min(int(full_mv + 0.5), 6000)
        mohm = sag.step_mv() / side.ref_a
        if side.known and sag.believed() and mohm >= _MOHM_LEAST:
            self.resistance_mohm_x10[n] = int(mohm * 10.0 + 0.5)
        else:
            self.resistance_mohm_x10[n] = NOT_KNOWN

    def _show_unknown(self, n):
        self.rest_cell_mv[n] = self.sag_cell_mv[n] = self.full_sag_cell_mv[n] = NOT_KNOWN_MV
        self.resistance_mohm_x10[n] = NOT_KNOWN

    def snapshot(self):
        """What should survive a power cut, 101 bytes; a check sum is the caller's to add."""
        return estimate_keep.snapshot(self._sections, self._sides)

    def restore(self, data, rested=True):
        """Take over a snapshot, after `configure` and before the first update.

        Charge continues from it only if the first voltage at rest agrees. `rested`: False after a reset in
        mid-ride, when the packs are still polarised. Returns False, and changes nothing, for what is no snapshot.
        """
        return estimate_keep.restore(self._sections, self._sides[: self._count], data, rested)

    def words(self):
        """(charge, slow current) of all sides, a small integer each, for a place that survives a reset in mid-ride."""
        return estimate_keep.words(self._sides)

    def go_on(self, charge_word, slow_word):
        """Continue from `words`, after `restore`, with the packs as they were then, whatever their voltage says."""
        estimate_keep.go_on(self._sides[: self._count], charge_word, slow_word)
