"""The drive of the lid: readings in, motor out.

`Motion` turns readings into the events of lid_table.py. Times are whole
milliseconds (_ms), openings permille, currents milliamperes. Where the lid is
between its ends is lid_place.py's, what the current tells lid_current.py's. Nothing in `step` allocates on the board.

A drive can end in these ways, marked in the code:
 1 the wanted end: its switch is made (or, without switches, time or current says so)
 2 the wanted opening by time or potentiometer
 3 the wish changed or was withdrawn
 4 hold
 5 stall: current above the limit after the starting surge          -> stuck
 6 no current although driven                                       -> motor-dead
 7 travel time + 25 % is over                                       -> stuck
 8 the wrong end: it ran the other way                              -> lost-position
 9 both end switches made                                           -> switches-both

A stall while shutting is followed by a short drive back, which takes the force off
whatever is in the way. What each fault word stands for: docs/decisions/lid-drive.md.
"""

from .lid_current import BLANK_MS, GENTLE, RAMP_MS, Current
from .lid_place import NEAR, Place
from .lid_table import (
    BOTH_MADE,
    BOTH_SWITCHES,
    CLEARED,
    FAULTS,
    HELD,
    HOLD_OFF,
    HOLD_ON,
    LIFTED,
    LOST,
    LOST_POSITION,
    MOTOR_DEAD,
    MOVED_ALONE,
    NO_CURRENT,
    OPEN,
    OPENING,
    OVER_CURRENT,
    PART,
    REACHED_OPEN,
    REACHED_PART,
    REACHED_SHUT,
    SHUT,
    SHUTTING,
    STATES,
    STUCK,
    STUCK_OPEN,
    STUCK_PART,
    STUCK_SHUT,
    TOLD_OPEN,
    TOLD_SHUT,
    TOLD_STOP,
    TOO_MUCH_CURRENT,
    TRAVEL_OVER,
    UNKNOWN,
    WELL,
    WRONG_END,
    after,
)
from .reading import NONE, OPEN_DIRECTION, SHUT_DIRECTION, STOP

# All chosen by us unless a source is named.
QUIET_MS = 60000            # after power-up, hold and cleared faults nothing moves (ISO 14118 idea; figure ours)
PAUSES_MS = (60000, 300000, 900000)   # before the first, second and third new try; then latched
ICY_PAUSE_MS = 900000       # a seal that may be frozen gets one short try, then waits for the sun
TURN_MS = 500               # standstill between two directions, for gears and bridge
RAMP_FROM = 300             # permille of power
NO_WAY_MS = 2000            # a new try that stalls sooner has gained no way
SHORT_TRY = 100             # permille of travel a new try may drive without freeing the switch
RELEASE_MS = 400            # drive back after a stall while shutting: what the arm has wound up, and a little
MARGIN = 250                # permille of the travel time allowed on top


class Motion:
    """Lid, drive and what they should do next.

    After `step`: `motor` (direction) and `duty_permille` to be applied until the
    next step, `siren` 1 while a closing is announced, `state`, `position_permille`
    (NONE when unknown), `fault` (index into FAULTS, WELL when none), `latched` 1
    when only a person or a switch that proves movement clears it. `done` is 1 for
    the one step after a drive ended, with `took_ms` and `current.peak_ma`.
    """

    def __init__(self, fittings, position_permille, was_moving, warn_ms):
        self.current = Current(fittings.get("stall_ma", 3000))
        # Permille of power while shutting: what keeps the edge below the speed that sizing allows.
        self.shut_power = max(RAMP_FROM, min(1000, fittings.get("shut_power_permille", 1000)))
        self.switches = fittings.get("end_switches", 1)
        # A lid that stood still at the last save is believed to stand there; one caught moving is not.
        self.place = Place(fittings.get("travel_ms", 40000), fittings.get("pot", 0),
                           NONE if was_moving else position_permille)
        self.forward = SHUT_DIRECTION if fittings.get("reverse", 0) else OPEN_DIRECTION
        self.warn_ms = warn_ms
        self.state = UNKNOWN
        self.motor = STOP
        self.duty_permille = 0
        self.siren = 0
        self.fault = WELL
        self.latched = 0
        self.doubt = WELL           # a fault that is reported but does not stop the lid
        self.quiet_ms = fittings.get("boot_wait_s", 60) * 1000
        self.tries = 0
        self.pause_ms = 0
        self.icy = 0
        self.took_ms = 0
        self.done = 0
        self.started = 0            # 1 in the step in which a drive begins
        self.from_permille = 0
        self._releases = 0          # 1 while the arm is to be driven back after a stall
        self._release_ms = 0
        self._goal = NONE
        self._drive_ms = 0          # real time driven
        self._gentle = 0
        self._freed = 0             # 1 once the switch of the starting end has opened
        self._rest_ms = TURN_MS
        self._warned_ms = 0
        self._announce = 1          # 1 until the first drive after a quiet minute
        self._stuck_way = STOP      # which way the drive failed that made the fault
        self._made = 0              # 1 once the switch of the end it is stuck at was seen made at rest
        self._alone = 0             # readings in a row that contradict the state
        self._left = UNKNOWN        # where the lid was when it moved by itself
        self._pot_from = NONE
        self._last_direction = STOP

    def __repr__(self):
        return "<Motion %s %d permille%s%s>" % (
            STATES[self.state], self.position_permille,
            " " + FAULTS[self.fault] if self.fault else "", " latched" if self.latched else "")

    # --- what others read -------------------------------------------------------
    @property
    def position_permille(self):
        """Where the lid is, NONE when unknown."""
        return self.place.permille

    @property
    def moving(self):
        """1 while the motor is driven, or about to be for a drive back."""
        return 1 if self.motor != STOP or self._releases else 0

    # --- the table -----------------------------------------------------------------
    def _event(self, event):
        self.state = after(self.state, event)

    # --- one step ------------------------------------------------------------------
    def step(self, dt_ms, want_permille, at_shut, at_open, motor_ma, pot_permille, hold):
        """Take the readings after `dt_ms` and set what the motor does next.

        want_permille  opening wanted; NONE: stay, and end a running drive
        """
        self.done = 0
        self.started = 0
        self._pass_time(dt_ms)
        if hold:
            self._go_on_hold()                                      # 4
            return
        if self.state == HELD:
            self._event(HOLD_OFF)
            self.keep_quiet()
        self.place.measure(pot_permille)
        if self._releases:
            self._let_go(at_open, motor_ma)
            return
        if at_shut == 1 and at_open == 1:
            self._stop()
            self._fail(BOTH_SWITCHES, BOTH_MADE)                    # 9
            return
        if self.fault == BOTH_MADE:
            self.clear()
        if self.motor != STOP:
            self._watch(want_permille, at_shut, at_open, motor_ma, pot_permille)
        else:
            self._watch_rest(at_shut, at_open, motor_ma, dt_ms)
            self._resolve(at_shut, at_open)
            self._start(want_permille, at_shut, at_open)
        self._set_duty()

    def clear(self):
        """Forget the fault; nothing moves for a minute after that."""
        if self.fault == WELL and self.doubt == WELL:
            return
        self.calm()
        if self.motor != STOP:
            self._break_off()
        self.fault = WELL
        self.doubt = WELL
        self.latched = 0
        self.tries = 0
        self.pause_ms = 0
        self.keep_quiet()
        self._event(CLEARED)

    def restore(self, word):
        """Take over a latched fault from before the power cut: power coming back clears nothing."""
        if word in FAULTS and word:
            self.fault = FAULTS.index(word)
            self.latched = 1
            self.state = STUCK
            self._stuck_way = self._way_of(self.fault)

    def calm(self):
        """Nothing may move now: not even back from a stall."""
        if self._releases:
            self._releases = 0
            self._stop()
            self.done = 0

    def keep_quiet(self):
        """Start the minute without movement anew; what comes after it is announced."""
        self.quiet_ms = max(self.quiet_ms, QUIET_MS)
        self._announce = 1

    # --- time --------------------------------------------------------------
    def _pass_time(self, dt_ms):
        self.quiet_ms = max(0, self.quiet_ms - dt_ms)
        self.pause_ms = max(0, self.pause_ms - dt_ms)
        if self.motor == STOP:
            self._rest_ms = min(TURN_MS, self._rest_ms + dt_ms)
            if self.siren:
                self._warned_ms += dt_ms
            return
        self._drive_ms += dt_ms
        if self._releases:
            self._release_ms -= dt_ms
        # Driving back after a new try only undoes what that try has wound up.
        self.place.drive(self._direction(), dt_ms, self.duty_permille, not self._releases or self.tries == 1)

    def _direction(self):
        """OPEN_DIRECTION or SHUT_DIRECTION as the lid sees it, whatever the wiring."""
        return self.motor * self.forward

    # --- while driving ------------------------------------------------------------------
    def _watch(self, want, at_shut, at_open, motor_ma, pot):
        direction = self._direction()
        self.current.note(motor_ma)
        if self._moved_off(direction, at_shut, at_open, pot):
            self._freed = 1
        at_goal = self._at_goal_end(direction, at_shut, at_open)
        if self._too_much(motor_ma) and not (at_goal and not self.current.shorted(motor_ma)):
            self._stalled(direction, at_shut, at_open, motor_ma)    # 5
        elif at_goal:
            self._arrive(direction)                                 # 1
        elif self._at_wrong_end(direction, at_shut, at_open):
            self._stop()
            self.place.put(0 if at_shut == 1 else self.place.travel_ms)
            self._fail(WRONG_END, LOST_POSITION)                    # 8
        elif self._no_current(motor_ma):
            self._went_dead(direction)                              # 6
        elif want == NONE:
            self._break_off()                                       # 3
        else:
            self._watch_goal(want, direction, at_shut, at_open, motor_ma)

    def _watch_goal(self, want, direction, at_shut, at_open, motor_ma):
        if self._goal != want and not self._gentle:
            self._retarget(want, direction)
        if self.motor == STOP:
            return
        if self._drive_over():
            self._overrun(direction, at_shut, at_open)              # 7
        elif self._part_reached(direction):
            if self._still_at_start_end(direction, at_shut, at_open):
                # By time the lid is well open, but its switch says it has not moved.
                if self.place.past(self._goal, SHORT_TRY):
                    self._overrun(direction, at_shut, at_open)      # 7
            elif not self._needs_proof(motor_ma) or self._proved(motor_ma):
                if self.fault == WELL or self._proved(motor_ma):
                    self._settle_well(direction, 0)
                self._stop()
                self._event(REACHED_PART)                           # 2

    def _needs_proof(self, motor_ma):
        """1 when time alone does not tell that the opening is reached, and the current still can.

        A lid held by latch or ice follows the arm for a few permille and opens its switch on the way. Its
        stall shows at full power only, and a crack can be shorter by time than the soft start.
        """
        if self.place.has_pot or motor_ma == NONE or self.current.blind:
            return 0
        if self.fault != WELL or not self.current.flowed():
            return 1
        return self.place.began_at_an_end()

    def _proved(self, motor_ma):
        """1 when a witness besides time has seen this drive go: potentiometer, or current without a stall."""
        return self._freed if self.place.has_pot else self.current.proves(motor_ma, self._drive_ms)

    def _retarget(self, want, direction):
        """Take over a new wish if it lies ahead; otherwise stop and let the next step turn round."""
        here = self.position_permille
        ahead = want > here if direction == OPEN_DIRECTION else want < here
        if here == NONE or not ahead:
            self._break_off()                                       # 3
        else:
            self._goal = want

    def _break_off(self):
        self._stop()
        if self.place.at_ms == NONE:
            self._event(LOST)
        else:
            self._event(TOLD_STOP)

    def _moved_off(self, direction, at_shut, at_open, pot):
        """1 when a witness other than the current shows that this drive has moved the lid."""
        if self.place.has_pot and pot != NONE and self._pot_from != NONE and abs(pot - self._pot_from) > 15:
            return 1
        behind = at_shut if direction == OPEN_DIRECTION else at_open
        return 1 if behind == 0 and self.place.began_behind(direction) else 0

    def _still_at_start_end(self, direction, at_shut, at_open):
        return at_shut == 1 if direction == OPEN_DIRECTION else at_open == 1

    def _too_much(self, motor_ma):
        """1 at a stall or a short circuit."""
        shutting = self._direction() == SHUT_DIRECTION
        return self.current.shorted(motor_ma) or self.current.stalls(
            motor_ma, shutting, self._gentle, self.icy, self._drive_ms)

    def _no_current(self, motor_ma):
        """1 when no current has flowed for long enough; with a dead sensor only where the end should have come."""
        if not self.current.gone(motor_ma, self._drive_ms, self._freed):
            return 0
        if self.current.blind:
            # Long ago, and near it by time: a crack is all near the end.
            return 1 if self.place.past(self._goal, SHORT_TRY) and self.place.near_end(self._direction()) else 0
        return 1

    def _to_end(self):
        """1 when this drive goes to an end, not to an opening between."""
        return 1 if self._goal <= 0 or self._goal >= 1000 else 0

    def _at_goal_end(self, direction, at_shut, at_open):
        return at_open == 1 if direction == OPEN_DIRECTION else at_shut == 1

    def _at_wrong_end(self, direction, at_shut, at_open):
        """The end behind is made although this drive began away from it: wired the wrong way round."""
        return self._still_at_start_end(direction, at_shut, at_open) and self.place.began_between()

    def _drive_over(self):
        limit = self.place.travel_ms + self.place.travel_ms * MARGIN // 1000
        if self._gentle:
            return self.place.work_ms >= limit
        if self._direction() == SHUT_DIRECTION:
            limit = limit * 1000 // self.shut_power
        if self.tries and self.switches and not self._freed and self.place.began_at_an_end():
            # A new try is short: it goes on only if the switch shows that it moves.
            limit = self.place.travel_ms * SHORT_TRY // 1000
        return self._drive_ms >= limit

    def _part_reached(self, direction):
        return 0 if self._to_end() else self.place.reached(self._goal, direction)

    # --- how drives end -----------------------------------------------------------------
    def _stop(self):
        if self.motor != STOP:
            self.done = 1
            self.took_ms = self._drive_ms
            self._last_direction = self._direction()
            self._rest_ms = 0
        self.motor = STOP
        self.duty_permille = 0
        self.siren = 0
        self._warned_ms = 0

    def _settle_well(self, direction, at_end):
        """A drive that came to its goal ends the fault it was a new try for, if it shows that it is over.

        What would not open is free once it has opened: standing at the shut end proves nothing. What was
        stuck between is free at either end, and where it has gone on the way that failed.
        """
        if self.fault == STUCK_SHUT or self.fault == STUCK_OPEN or self.fault == STUCK_PART and not at_end:
            if direction != self._stuck_way:
                return
        self.fault = WELL
        self.latched = 0
        self.tries = 0
        if self.doubt == LIFTED:
            self.doubt = WELL

    def _arrive(self, direction):
        """The switch of the end ahead is made."""
        # Only what was driven on purpose and at full power teaches how fast the lid goes.
        early = self.place.arrive(direction, self.switches and not self._gentle and not self.tries)
        self._stop()
        self._settle_well(direction, 1)
        # Far too early: the switch may lie, or the position was wrong. The lid stays
        # in use, since a switch is the better witness, but the doubt is reported.
        self.doubt = LOST_POSITION if early else WELL
        self._event(REACHED_OPEN if direction == OPEN_DIRECTION else REACHED_SHUT)

    def _stalled(self, direction, at_shut, at_open, motor_ma):
        if self._end_by_itself(direction, at_shut, at_open):
            self._end_without_switch(direction)
            return
        if self.tries and self._drive_ms <= NO_WAY_MS and not self.place.has_pot:
            self.place.at_ms = self.place.start_ms      # what was driven went into wood and screw
        self._stop()
        if self.current.shorted(motor_ma):
            self._fail(OVER_CURRENT, TOO_MUCH_CURRENT)
            return
        self._fail(OVER_CURRENT, self.place.where_stuck(direction, at_shut, at_open, self._drive_ms))
        if direction == SHUT_DIRECTION and self.fault != STUCK_SHUT:
            self._releases = 1
            self._release_ms = RELEASE_MS

    def _let_go(self, at_open, motor_ma):
        """After one step of standstill: back a little, so that nothing stays pressed under the edge."""
        if self.motor == STOP and self._release_ms == RELEASE_MS:
            self.motor = OPEN_DIRECTION * self.forward
            self.duty_permille = 1000
            return
        too_much = motor_ma >= self.current.stall_ma and self._release_ms < RELEASE_MS - BLANK_MS
        if self._release_ms <= 0 or at_open == 1 or too_much:
            self.calm()             # its end was told with the stall

    def _went_dead(self, direction):
        drew = self.current.blind or self.current.flowed()
        if drew and self.place.near_end(direction) and self._freed_from(direction):
            self._end_without_switch(direction)
            return
        if self.doubt == LIFTED and direction == SHUT_DIRECTION:
            # Wind or a hand has taken the lid off its arm, and the arm stands at its own stop: that is
            # no dead motor. Look again later, for ever: the lid may come down by itself, and then it must open.
            self._stop()
            self._event(LOST)
            self.tries = min(self.tries + 1, len(PAUSES_MS))
            self.pause_ms = PAUSES_MS[self.tries - 1]
            return
        if not self.switches and self._gentle:
            # Looking for an end and no current at all: it stands at that end, cut off by the drive's own
            # stop. Or the wire is broken: that is why it is only believed with a doubt.
            self._end_without_switch(direction)
            self.doubt = LOST_POSITION
            return
        self._stop()
        self._fail(NO_CURRENT, MOTOR_DEAD)

    def _end_by_itself(self, direction, at_shut, at_open):
        """1 when a stall near the end ahead means that the end is reached."""
        if not self.place.near_end(direction):
            return 0
        if not self.switches:
            # A new try that stalls at once stands where the last one stood.
            return 0 if self.tries and self._drive_ms <= NO_WAY_MS else 1
        # Shutting on to something a finger thick looks the same as a dead switch: stuck.
        if direction == SHUT_DIRECTION:
            return 0
        return 0 if self._still_at_start_end(direction, at_shut, at_open) else 1

    def _freed_from(self, direction):
        """1 unless the switch of the end behind says that the lid never left."""
        if not self.switches or self.place.start_ms == NONE:
            return 1
        return 1 if self._freed or not self.place.began_behind(direction) else 0

    def _end_without_switch(self, direction):
        """At the end by current or time. With switches fitted that is a doubt: theirs did not make."""
        self._stop()
        self.place.put(self.place.end_ms(direction))
        if self.fault == WELL or self.current.flowed():
            self._settle_well(direction, 1)
        self.doubt = LOST_POSITION if self.switches else WELL
        self._event(REACHED_OPEN if direction == OPEN_DIRECTION else REACHED_SHUT)

    def _overrun(self, direction, at_shut, at_open):
        if not self.switches and self._to_end():
            self._end_without_switch(direction)
            return
        self._stop()
        self._fail(TRAVEL_OVER, self.place.where_stuck(direction, at_shut, at_open, self._drive_ms))

    def _fail(self, event, fault):
        """Stop for a reason: pause and try again, or latch after the last try."""
        self._event(event)
        self._stuck_way = self._way_of(fault)
        self._made = 0
        if fault == BOTH_MADE:
            self.place.at_ms = NONE
            self.fault = fault
            self.latched = 1
            return
        self.fault = fault
        self.tries += 1
        if self.tries > len(PAUSES_MS) or fault == TOO_MUCH_CURRENT:
            self.latched = 1
            self.pause_ms = 0
        else:
            self.pause_ms = ICY_PAUSE_MS if self.icy else PAUSES_MS[self.tries - 1]

    def _way_of(self, fault):
        """Which way a lid with this fault does not go."""
        if fault == STUCK_SHUT:
            return OPEN_DIRECTION
        return SHUT_DIRECTION if fault == STUCK_OPEN else self._last_direction

    # --- at rest ------------------------------------------------------------------------
    def _go_on_hold(self):
        self._releases = 0
        self._stop()
        self._event(HOLD_ON)
        self.keep_quiet()

    def _watch_rest(self, at_shut, at_open, motor_ma, dt_ms):
        """Look for what must not happen at rest: current, and a lid that moves by itself."""
        if self.current.strays(motor_ma, dt_ms) and self.fault != TOO_MUCH_CURRENT:
            self.place.lose()
            self._event(OVER_CURRENT)
            self.fault = TOO_MUCH_CURRENT
            self.latched = 1
        if self._contradicted(at_shut, at_open):
            self._alone += 1
            if self._alone >= 2:
                self._lifted()
        else:
            self._alone = 0

    def _contradicted(self, at_shut, at_open):
        if self.state == SHUT:
            return at_shut == 0 and self.doubt != LOST_POSITION or at_open == 1
        if self.state == OPEN:
            return at_open == 0 and self.doubt != LOST_POSITION or at_shut == 1
        if self.state == PART:
            return at_open == 1 or at_shut == 1
        return 0

    def _lifted(self):
        """Nobody told it to, yet it moved: wind, or a person. Wait a minute before answering."""
        self._alone = 0
        self._left = self.state
        self._event(MOVED_ALONE)
        self.doubt = LIFTED
        self.place.lose()
        self.keep_quiet()

    def _resolve(self, at_shut, at_open):
        """Take what the readings prove: unknown becomes known, stuck is cleared by movement."""
        if self.fault != WELL and self._proves_movement(at_shut, at_open):
            self.clear()
        if self.state != UNKNOWN:
            return
        if at_shut == 1:
            self.place.put(0)
            self._event(REACHED_SHUT)
        elif at_open == 1:
            self.place.put(self.place.travel_ms)
            self._event(REACHED_OPEN)
        elif self.place.at_ms != NONE and self._believable():
            self._event(REACHED_PART)
        if self.doubt == LIFTED and self.state != UNKNOWN and self.state == self._left:
            self.doubt = WELL       # it is back where it was
            self.tries = 0
            self.pause_ms = 0

    def _believable(self):
        """An opening between the ends; with switches fitted an end must be shown by its switch."""
        if not self.switches:
            return 1
        return 1 if 0 < self.place.at_ms < self.place.travel_ms else 0

    def _proves_movement(self, at_shut, at_open):
        if self.fault == STUCK_SHUT or self.fault == STUCK_OPEN:
            # Moved by hand or wind: the switch was made at rest and is not any more. One that the failed
            # drive itself has opened proves nothing: latches have play.
            switch = at_shut if self.fault == STUCK_SHUT else at_open
            if switch == 1:
                self._made = 1
            return switch == 0 and self._made
        if self.fault == STUCK_PART or self.fault == LOST_POSITION:
            return (at_shut == 1 or at_open == 1) and self.pause_ms == 0
        return 0

    # --- starting -----------------------------------------------------------------------
    def _start(self, want, at_shut, at_open):
        """Begin a drive if one is wanted and nothing forbids it.

        A closing is announced first, and so is the first drive after a minute of quiet.
        """
        direction = self._wanted_direction(want)
        if direction == STOP or self.quiet_ms or self.pause_ms or self.latched:
            self.siren = 0
            self._warned_ms = 0
            return
        if (direction == SHUT_DIRECTION or self._announce) and self._warned_ms < self.warn_ms:
            self.siren = 1
            return
        self.siren = 0
        self._warned_ms = 0
        if direction != self._last_direction and self._rest_ms < TURN_MS:
            return
        self._begin(direction, want, at_shut, at_open)

    def _wanted_direction(self, want):
        if want == NONE or self.state == HELD:
            return STOP
        here = self.position_permille
        if here == NONE:
            # Look for an end: the open one only when much opening is wanted anyway.
            return OPEN_DIRECTION if want >= 500 else SHUT_DIRECTION
        if want <= 0:
            return STOP if self.state == SHUT else SHUT_DIRECTION
        if want >= 1000:
            return STOP if self.state == OPEN else OPEN_DIRECTION
        # Between the ends a hundredth of the travel is close enough; stuck there it tries again the way that failed.
        if abs(want - here) <= 10 and (self.state == PART or self.state == STUCK):
            return STOP if self.state == PART or self.place.has_pot else self._stuck_way
        return OPEN_DIRECTION if want > here else SHUT_DIRECTION

    def _begin(self, direction, want, at_shut, at_open):
        by_pot = self.position_permille if self.place.has_pot else NONE
        if at_shut == 1:
            self.place.put(0)
        if at_open == 1:
            self.place.put(self.place.travel_ms)
        if direction == OPEN_DIRECTION and at_open == 1 or direction == SHUT_DIRECTION and at_shut == 1:
            # Nothing to drive. A fault stays: standing at this end proves no movement.
            if by_pot != NONE and abs(by_pot - self.position_permille) > NEAR:
                self.doubt = LOST_POSITION      # the potentiometer asked for a drive that the switch denies
            self._event(REACHED_OPEN if at_open == 1 else REACHED_SHUT)
            return
        told = TOLD_OPEN if direction == OPEN_DIRECTION else TOLD_SHUT
        moving = after(self.state, told)
        if moving != OPENING and moving != SHUTTING:
            # Switch and potentiometer contradict each other: the table has the last word.
            self.doubt = LOST_POSITION
            return
        self.place.begin()
        self.from_permille = self.position_permille
        self._gentle = 1 if self.place.at_ms == NONE else 0
        self._goal = want
        if self._gentle:
            self._goal = 1000 if direction == OPEN_DIRECTION else 0
        self._drive_ms = 0
        self._freed = 0
        self._made = 0
        self.current.begin()
        self._pot_from = self.position_permille if self.place.has_pot else NONE
        self.motor = direction * self.forward
        self.started = 1
        self._announce = 0
        self._event(told)

    def _set_duty(self):
        if self.motor == STOP:
            self.duty_permille = 0
            return
        full = GENTLE if self._gentle else 1000
        if self._direction() == SHUT_DIRECTION:
            full = min(full, self.shut_power)
        ramp = RAMP_FROM + (1000 - RAMP_FROM) * self._drive_ms // RAMP_MS
        self.duty_permille = min(full, ramp)
