"""Sides that should draw current and do not: a dead fan, or an ESC that re-started and waits for idle.

A side that works pulls its own string down. Ten times a second the sag of each side under a steady demand is
held against the others', and a sudden rise of one string while demand has not fallen is noticed. Where the current
of a pull is known, a pull of many amperes without any sag at all is noticed too: ESCs without supply, which would
start under an open lever when it comes. Each makes `side_idle`, which stands until the lever has been at rest,
since with all thrust eased nothing can be told.

Sides need not be alike. Sag goes with cells times current, over capacity (cells of one kind: resistance goes with one
over capacity; common practice, no source), so that is the weight of a side where the bench has measured all currents.
Where it has not, cells are the weight, and only sides that are given the same are held against each other.
"""

from array import array

import micropython
from micropython import const

from shared_proto.messages import NOT_KNOWN_MV, SIDES_MAX

# Time goes in rounds. Voltages are means, and what they tell must be told by several rounds in a row, so that noise of
# 0.15 V (one deviation) at the tops tells nothing: at a reading a round a mean of _NEAR has 39 mV, the difference of
# both means of _judge_rise 54 mV (white noise: variance over count; of a mean by weights a, a / (2 - a)), and the
# least of what is looked for is 300 mV.
_EVERY_MS = const(100)
_NEAR = const(8)  # rounds in the mean of now
_FAR = const(16)  # rounds in the mean of before
_LOOK_ROUNDS = const(10)  # how long ago before is: nearly a second
_RUN_DOWN_ROUNDS = const(16)  # after demand has fallen fans run down, and voltages rise by themselves
_STEADY_ROUNDS = const(_RUN_DOWN_ROUNDS + _LOOK_ROUNDS)  # then there is a mean of before
_REST_ROUNDS = const(10)  # at zero demand for this long, the string's voltage is a reference
_FROM_PM = const(200)  # below this demand the sag is too small to judge
_PULL_ROUNDS = const(16)  # a pull is judged from here on: fans have spooled up ...
_PULL_UNTIL = const(24)  # ... to here: a section that collapses later makes a poor measure of the other sides
_IN_A_ROW = const(6)  # rounds that must tell the same of a pull
_RISE_IN_A_ROW = const(3)  # and of a rise
_LEAST_MV = const(300)  # sag of the side that works, at the least; common practice, no source
_SLACK_PM = const(50)  # demand may have changed by this much meanwhile
_SURE_DA = const(400)  # from this current on, 0.1 A, any string sags by more than ...
_NONE_MV = const(50)  # ... this: 1.25 milliohm, a quarter of the best strings (common practice, no source)
_SURE_UNTIL = const(50)  # only so early in a pull: later, a pack that recovers from the pull before hides some sag
_NEVER_PM = const(1001)
_FULL = const(1000)  # weight of the side that sags the most, at full
_SCALE = const(16)  # of the means, so that they do not stick


class Balance:
    """`side_idle`: which side (from 0) shows no sag, -1 none."""

    def __init__(self):
        self.side_idle = -1
        self._ms = 0
        self._rest = 0  # rounds at zero demand
        self._reference_mv = array("i", [NOT_KNOWN_MV] * SIDES_MAX)
        self._near = array("i", [0] * SIDES_MAX)  # mean of now, mV times _SCALE
        self._far = array("i", [0] * SIDES_MAX)  # mean since demand changed, at most of _FAR rounds
        self._count = array("i", [0] * SIDES_MAX)  # rounds in it
        self._past = array("i", [0] * (SIDES_MAX * _LOOK_ROUNDS))  # `_far` of the last rounds
        self._at = 0
        self._steady = array("i", [0] * SIDES_MAX)  # rounds at one demand, and sensed; see _average
        self._about_pm = array("i", [0] * SIDES_MAX)  # the demand that the means belong to
        self._now_mv = array("i", [NOT_KNOWN_MV] * SIDES_MAX)
        self._measured = False
        self._weights = array("i", [0] * (SIDES_MAX * 11))  # of each side at each tenth of demand; the largest is _FULL
        self._sure_pm = _NEVER_PM  # demand from which on each side draws much, as the bench has measured
        self._pull = 0  # rounds since the pull began
        self._sure = 0  # rounds since demand reached _sure_pm
        self._low = array("i", [0] * SIDES_MAX)  # rounds in a row that told too little sag of a side
        self._none = 0  # rounds in a row that told no sag of any
        self._risen = array("i", [0] * SIDES_MAX)  # rounds in a row that told a rise of a side

    def configure(self, values):
        sides = values.get("sides")
        self._sure_pm = 0
        for side in range(sides):
            current_da = values.get("side.current_da", side)
            from_pm = _NEVER_PM
            for tenth in range(10, -1, -1):
                if current_da[tenth] >= _SURE_DA:
                    from_pm = 100 * tenth
            if from_pm > self._sure_pm:
                self._sure_pm = from_pm
        self._weigh(values, sides)

    def _weigh(self, values, sides):
        def stated(name):
            found = [values.get(name, side) for side in range(sides)]
            return found if all(found) else [1] * sides

        currents_da = [values.get("side.current_da", side) for side in range(sides)]
        self._measured = all([current_da[10] for current_da in currents_da])
        cells = stated("side.cells")
        parts_mah = stated("side.capacity_mah") if self._measured else [1] * sides
        of_all = []
        for side in range(sides):
            for current_da in currents_da[side]:
                of_all.append(cells[side] * (current_da if self._measured else 1) / parts_mah[side])
        most = max(of_all)
        for i in range(11 * sides):
            self._weights[i] = int(_FULL * of_all[i] / most)

    @micropython.native
    def update(self, dt_ms, top_mv, sides, side_pm, lever_at_rest):
        """One step; `top_mv[side]`: the string's voltage or NOT_KNOWN_MV; `side_pm[side]`: what the side is given."""
        self._ms += dt_ms
        if self.side_idle < 0 and self._ms < _EVERY_MS:
            return
        demand_pm = 0
        for side in range(sides):
            if side_pm[side] > demand_pm:
                demand_pm = side_pm[side]
        if self.side_idle >= 0 and lever_at_rest and demand_pm == 0:
            self.side_idle = -1
            self._rest = 0
        if self._ms >= _EVERY_MS:
            self._ms = 0
            self._round(top_mv, sides, side_pm, demand_pm)

    def _round(self, top_mv, sides, side_pm, demand_pm):
        for side in range(sides):
            self._average(side, top_mv[side], side_pm[side])
        self._at = 0 if self._at + 1 == _LOOK_ROUNDS else self._at + 1
        if demand_pm == 0:
            if self._rest < _REST_ROUNDS:
                self._rest += 1
            else:
                for side in range(sides):
                    self._reference_mv[side] = self._now_mv[side]
            self._pull = self._sure = self._none = 0
            for side in range(sides):
                self._low[side] = 0
            return
        self._rest = 0
        if demand_pm < _FROM_PM:
            return
        if self._pull < _SURE_UNTIL:
            self._pull += 1
            self._sure = self._sure + 1 if demand_pm >= self._sure_pm else 0
            if self._sure >= _PULL_ROUNDS:
                self._judge_all(sides, side_pm)
        if self._pull >= _PULL_ROUNDS:
            if self._pull < _PULL_UNTIL:
                self._judge_pull(sides, side_pm)
            self._judge_rise(sides)

    def _average(self, side, mv, pm):
        """Take a reading into both means of a side. Where demand has risen, the far one goes on from the near one, so
        that it is the sooner about what is now. Where it has fallen nothing is judged until the fan has run down."""
        at = SIDES_MAX * self._at + side
        steady = self._steady[side]
        if mv == NOT_KNOWN_MV:
            self._steady[side] = 0
            self._now_mv[side] = NOT_KNOWN_MV
            return
        about_pm = self._about_pm[side]
        rising = False
        if pm < about_pm - _SLACK_PM or (pm == 0 and about_pm > 0):
            self._about_pm[side] = pm
            steady = 0
        elif pm > about_pm + _SLACK_PM:
            self._about_pm[side] = pm
            rising = True
        if steady < _STEADY_ROUNDS:
            steady += 1
        self._steady[side] = steady
        mv *= _SCALE
        near = self._near[side]
        self._near[side] = near = near + (mv - near) // min(steady, _NEAR)
        self._now_mv[side] = near // _SCALE
        if steady <= _RUN_DOWN_ROUNDS:
            return
        count = self._count[side]
        if rising or steady == _RUN_DOWN_ROUNDS + 1:
            far = near
            count = _NEAR
        else:
            far = self._far[side]
            if count < _FAR:
                count += 1
            far += (mv - far) // count
        self._count[side] = count
        self._far[side] = self._past[at] = far

    def _judge_pull(self, sides, side_pm):
        """Sag since rest: a side with less than a quarter of what the strongest's lets expect does not pull."""
        most_mv = 0
        strongest = -1
        for side in range(sides):
            sag_mv = self._sag_mv(side)
            if sag_mv != NOT_KNOWN_MV and sag_mv > most_mv:
                most_mv = sag_mv
                strongest = side
        # A side that pulls where the bench has found next to nothing cannot be a measure.
        weight = self._weight(strongest, side_pm[strongest]) if most_mv >= _LEAST_MV else 0
        low = self._low
        for side in range(sides):
            if weight == 0 or not self._sags_too_little(side, strongest, most_mv, weight, side_pm):
                low[side] = 0
                continue
            low[side] += 1
            if low[side] == _IN_A_ROW:
                self.side_idle = side

    def _sags_too_little(self, side, strongest, most_mv, weight, side_pm):
        apart_pm = side_pm[side] - side_pm[strongest]
        if not self._measured and (apart_pm > _SLACK_PM or apart_pm < -_SLACK_PM):
            return False
        sag_mv = self._sag_mv(side)
        expected_mv = most_mv * self._weight(side, side_pm[side]) // weight
        return sag_mv != NOT_KNOWN_MV and expected_mv >= _LEAST_MV and sag_mv < expected_mv // 4

    def _sag_mv(self, side):
        """Since rest; NOT_KNOWN_MV when either is not known."""
        now_mv = self._now_mv[side]
        reference_mv = self._reference_mv[side]
        if now_mv == NOT_KNOWN_MV or reference_mv == NOT_KNOWN_MV:
            return NOT_KNOWN_MV
        return reference_mv - now_mv

    def _weight(self, side, pm):
        tenth = pm // 100
        low = self._weights[11 * side + tenth]
        high = self._weights[11 * side + (tenth + 1 if tenth < 10 else 10)]
        return low + (high - low) * (pm % 100) // 100

    def _judge_all(self, sides, side_pm):
        """Many amperes, and no string sags: no side pulls."""
        which = -1
        for side in range(sides):
            sag_mv = self._sag_mv(side)
            if sag_mv == NOT_KNOWN_MV:
                continue
            if sag_mv >= _NONE_MV:
                self._none = 0
                return
            if side_pm[side] >= self._sure_pm:
                which = side
        if which >= 0:
            self._none += 1
            if self._none == _IN_A_ROW:
                self.side_idle = which

    def _judge_rise(self, sides):
        """A string that has risen within a second by most of a pull's sag while demand has not fallen."""
        for side in range(sides):
            reference_mv = self._reference_mv[side]
            risen = 0
            if self._steady[side] == _STEADY_ROUNDS and reference_mv != NOT_KNOWN_MV:
                past_mv = self._past[SIDES_MAX * self._at + side] // _SCALE
                # Since the reference the pack has lost charge too, so the sag of now is at most this.
                sag_mv = reference_mv - past_mv
                rise_mv = self._now_mv[side] - past_mv
                if rise_mv >= _LEAST_MV and 3 * rise_mv > sag_mv:
                    risen = self._risen[side] + 1
                    if risen == _RISE_IN_A_ROW:
                        self.side_idle = side
            self._risen[side] = risen
