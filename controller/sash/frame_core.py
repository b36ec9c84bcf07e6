"""The frame's own mind: readings, clock and requests in, actions out.

Nothing in here touches a pin, a file, a clock or a socket. Each step goes the
same way: time, requests, probes, law, lid, faults, messages. The law says how far the
lid should stand open (lid_law.py), the lid's table how to get there
(lid_motion.py); this file carries what one says to the other, and tells.

Modes: "auto" the law decides; "hold" nothing moves, or only what an order asked
for; "safe" nothing moves, because stored values disturbed; "bench" nothing moves by itself.
"""

from . import lid_law as law
from . import lid_table, reading, sun, witness
from . import settings as limits
from .faultfinder import FaultFinder
from .lid_motion import Motion
from .orders import Desk, is_whole
from .probes import Probes
from .rates import Rates
from .safety import Faults, Guarded
from .teller import Teller

NONE = reading.NONE
NO_MDEGC = reading.NO_MDEGC

# All chosen by us.
MOVING_MS = 200
SOUNDING_MS = 500
REST_MS = 5000
PROBE_EVERY_MS = 2000
LAW_EVERY_MS = 1000
SUN_EVERY_S = 60
BATTERY_REST_S = 10         # after a drive the voltage needs this long to recover
LOCATE_S = 30
WET_S = 12 * 3600           # a seal stays wet this long after rain
SILENCED_S = 3600
DAYLIGHT_LX = 2000


class FrameCore:
    """One frame. `step` returns what the shell has to carry out.

    fittings  how the frame is built (dict of the board's fittings file)
    settings  the stored settings record, {} or None when there is none
    saved     the stored state record, None when there is none
    boot      number of this start, rising
    cause     why the board started
    """

    def __init__(self, fittings, settings, saved, boot, cause):
        saved = saved if isinstance(saved, dict) else {}
        self.frame = fittings["frame"]
        self.boot = boot
        self.cause = cause
        self.crash_text = ""            # set by the shell after a crash
        self.uptime_s = 0
        self.unix_s = NONE
        self._bench = fittings.get("bench", 0)
        self._rest_ms = fittings.get("rest_ms", REST_MS)
        self._known_from_start = boot <= 1
        self.faults = Faults()
        self.finder = FaultFinder()
        self.teller = Teller(self)
        settings_n = self._load_settings(settings)
        self._desk = Desk(self.frame, fittings.get("key", ""), settings_n, _number(saved, "orders_n", 0, 2147483647, 0))
        self.probes = Probes(fittings.get("probes", {"air": ""}))
        self.motion = Motion(fittings, _number(saved, "position", -1, 1000, NONE),
                             _number(saved, "moving", 0, 1, 0), self.settings["warn_s"] * 1000)
        self.motion.restore(saved.get("latched"))
        self.motion.place.restore_times(
            _number(saved, "open_ms", 1, 600000, 0), _number(saved, "shut_ms", 1, 600000, 0))
        self._law_settings = Guarded(limits.law_values(self.settings))
        # hold switch, ordered hold, safe mode; position and lid state as the last step left them
        self._cells = Guarded((0, _number(saved, "hold", 0, 1, 0), 0, 0, 0))
        self._note_lid()
        self._manual = NONE             # opening an order asked for
        self._sense = [0] * len(law.SENSE)
        self._state = list(law.START)
        self._state[law.TARGET] = max(0, self.motion.position_permille)
        self._state[law.DAY] = _number(saved, "day", 0, 366, 0)
        self._state[law.USED] = _number(saved, "used", 0, 1000000, 0)
        self._answer = self._state[law.TARGET]
        self._why = ""                  # the reason of the last change of target
        self._begin_times()

    def _begin_times(self):
        self._part_ms = 0           # milliseconds not yet counted as a second
        self._probe_ms = PROBE_EVERY_MS
        self._law_ms = LAW_EVERY_MS
        self._sun_s = SUN_EVERY_S
        self._sun_cdeg = law.NO_SUN
        self._after_noon = 0
        self._day_of_year = 0
        self._battery_mv = NONE
        self._rested_s = BATTERY_REST_S
        self._wet_s = WET_S
        self._locate_s = 0
        self._silent_s = SILENCED_S
        self._air_before_mdegc = NO_MDEGC
        self.drop = witness.TemperatureAnswer()
        self.rates = Rates()
        self._first = 1

    def __repr__(self):
        return "<Frame %s %s at %d permille, told %d, %s, air %d mdegC, %s>" % (
            self.frame, self.lid_state, self.position_permille, self.target_permille,
            self.reason, self.air_mdegc, self.mode)

    # --- what others read ---------------------------------------------------------------
    @property
    def position_permille(self):
        """Where the lid is, -1 when unknown."""
        return self.motion.position_permille

    @property
    def target_permille(self):
        """The opening wanted: by order, else by the law."""
        return law.target_of(self._answer) if self._manual == NONE else self._manual

    @property
    def reason(self):
        """Why, as a word of lid_law.REASONS."""
        return law.REASONS[law.reason_of(self._answer)]

    @property
    def lockouts(self):
        """Words of everything that restrains the lid."""
        bits = law.lockouts_of(self._answer)
        return [law.LOCKOUTS[bit] for bit in range(len(law.LOCKOUTS)) if bits >> bit & 1]

    @property
    def lid_state(self):
        """The lid's state as a word of lid_table.STATES."""
        return lid_table.STATES[self.motion.state]

    @property
    def settings_n(self):
        """Number of the settings in force, 0 for the built-in ones."""
        return self._desk.settings_n

    @property
    def refused(self):
        """Signed messages turned away since the start."""
        return self._desk.refused

    @property
    def law_state(self):
        """The law's memory, in the order of lid_law.STATE; for reading only."""
        return self._state

    @property
    def law_settings(self):
        """The settings as the law uses them, in the order of lid_law.SETTINGS."""
        return self._law_settings.values

    @property
    def air_mdegc(self):
        """The temperature the law uses."""
        return self.probes.air_mdegc(1 - self._state[law.EVENING])

    @property
    def mode(self):
        """auto, hold, safe or bench."""
        values = self._cells.values
        if values[2]:
            return "safe"
        if values[0] or values[1] or self._manual != NONE:
            return "hold"
        return "bench" if self._bench else "auto"

    # --- one step -----------------------------------------------------------------------
    def step(self, dt_ms, unix_s, inputs, inbox, link_up):
        """Advance by `dt_ms`; `unix_s` is NONE while the clock is not set."""
        actions = reading.Actions()
        dt_s = self._pass_time(dt_ms, unix_s)
        self.rates.follow(dt_ms, unix_s)
        mode = self.mode
        self._check_cells(inputs)
        for suffix, payload in inbox:
            self._receive(suffix, payload, actions)
        self._read_probes(dt_ms, inputs)
        self._read_rest(dt_s, inputs)
        self._ask_law(dt_ms, inputs)
        self._move(dt_ms, dt_s, inputs, actions)
        self.finder.step(self, dt_s, inputs)
        if self._first:
            self.teller.start(actions)
        if self.mode != mode:
            self._save(actions)
        self.teller.step(dt_s, inputs, actions, mode)
        self._signal(dt_s, inputs, actions)
        self._first = 0
        return actions

    def _pass_time(self, dt_ms, unix_s):
        """Count time; returns the whole seconds that have passed."""
        self._part_ms += dt_ms
        dt_s = self._part_ms // 1000
        self._part_ms -= dt_s * 1000
        self.uptime_s += dt_s
        self.unix_s = unix_s
        self._locate_s = max(0, self._locate_s - dt_s)
        self._sun_s += dt_s
        if self._sun_s >= SUN_EVERY_S or (unix_s != NONE) != (self._day_of_year > 0):
            self._sun_s = 0
            self._look_at_sun(unix_s)
        return dt_s

    def _look_at_sun(self, unix_s):
        self._sun_cdeg = law.NO_SUN
        self._day_of_year = 0
        if unix_s == NONE:
            return
        lat, lon = self.settings["lat_mdeg"], self.settings["lon_mdeg"]
        self._day_of_year = sun.day_of_year(sun.local_day(unix_s, lon))
        if lat == 0 and lon == 0:
            return      # the place was never set: light and temperature stand in
        day, second = sun.day_and_second(unix_s)
        self._sun_cdeg = sun.height_cdeg(day, second, lat, lon)
        self._after_noon = sun.after_noon(day, second, lon)

    # --- settings and self-checks ---------------------------------------------------------
    def _load_settings(self, record):
        """Use the stored record if it passes, else the built-in values; returns its number."""
        record = record if isinstance(record, dict) else {}
        values = record.get("settings")
        self.settings = limits.defaults()
        if isinstance(values, dict):
            merged = limits.merge(self.settings, values)
            if not limits.check(merged):
                self.settings = merged
                return _number(record, "n", 0, 2147483647, 0)
        # Before the first settings ever there is nothing to lose.
        self.faults.set("settings-lost", bool(record) or not self._known_from_start, "built-in settings in use")
        return 0

    def _check_cells(self, inputs):
        """Values and complements must agree before they are used; then note the hold switch."""
        cells, motion = self._cells, self.motion
        hold = 1 if inputs.hold else 0
        lid_agrees = cells.values[3] == motion.position_permille and cells.values[4] == motion.state
        if not (cells.sound() and self._law_settings.sound() and lid_agrees):
            cells.put_all((hold, 1, 1, 0, 0))
            motion.calm()
            self._note_lid()
            self._law_settings.put_all(limits.law_values(self.settings))
            self.faults.set("self-check", 1, "a value and its complement differ")
        if cells.values[0] != hold:
            cells.put(0, hold)

    def distrust(self, why):
        """Something that this program rests on has changed: nothing moves until a person says so."""
        self.motion.calm()
        self._cells.put(2, 1)
        self.faults.set("self-check", 1, why)

    def _note_lid(self):
        """Keep where the lid is twice, until the next step has compared it."""
        self._cells.put(3, self.motion.position_permille)
        self._cells.put(4, self.motion.state)

    # --- requests -------------------------------------------------------------------------
    def _receive(self, suffix, payload, actions):
        body, why = self._desk.open(suffix, payload)
        if body is None:
            self.teller.event(actions, "refused", {"what": suffix.split("/")[0], "why": why, "n": NONE})
        elif suffix == "settings/wanted":
            self._take_settings(body, actions)
        elif suffix == "orders":
            self._take_order(body, actions)

    def _take_settings(self, body, actions):
        values, why = self._desk.judge_settings(body, self.settings)
        if values is None and why == "":
            return
        if values is None:
            self.teller.event(actions, "refused", {"what": "settings", "why": why[:200], "n": body["n"]})
        else:
            self.settings = values
            self._law_settings.put_all(limits.law_values(values))
            self.motion.warn_ms = values["warn_s"] * 1000
            self._sun_s = SUN_EVERY_S
            self.faults.set("settings-lost", 0)
            actions.saves.append(("settings", {"n": self.settings_n, "settings": values}))
            self.teller.event(actions, "settings", {"n": self.settings_n})
        if why != "old":
            self.teller.actual(actions, self._desk.refused_n, why)

    def _take_order(self, body, actions):
        order, argument, why = self._desk.judge_order(body, self.unix_s)
        if why == "old":
            self.teller.event(actions, "refused", {"what": "orders", "why": why, "n": body["n"]})
            return
        if why == "":
            why = self._carry_out(order, argument, actions)
        self._save(actions)     # the number is used up, whatever came of it
        if why:
            self.teller.event(actions, "refused", {"what": "orders", "why": why, "n": body["n"]})
        else:
            self.teller.event(actions, "order", {"order": order, "n": body["n"]})
        self.teller.answer(actions, body["n"], why)

    def _carry_out(self, order, argument, actions):
        """Do what was ordered; returns why not, or nothing."""
        if order == "open" or order == "shut":
            opening = 1000 if order == "open" else 0
            return self._order_opening(opening if argument is None else argument)
        if order == "hold":
            self._cells.put(1, 1)
            self._manual = NONE
            self.motion.calm()
            self._note_lid()
        elif order == "release" or order == "auto":
            return self._resume()
        elif order == "locate":
            self._locate_s = LOCATE_S
        elif order == "clock":
            actions.clock_s = argument
            self.rates.restart()
        else:
            self.teller.again()
            self.teller.actual(actions, self._desk.refused_n, "")
        return ""

    def _order_opening(self, opening):
        if self._cells.values[0] or self._cells.values[1]:
            return "hold"
        if self._cells.values[2]:
            return "safe"
        if self.motion.latched:
            return "lid-fault"
        state = self._state
        if state[law.BATTERY_LEVEL] == 2:
            return "battery"
        harm = law.order_harms(opening, self.air_mdegc, state[law.WIND_LEVEL], self.law_settings)
        if harm:
            return "scorch or frost" if harm == 1 else "wind"
        self._manual = opening
        return ""

    def _resume(self):
        """Back to automatic, after a minute without movement. The switch on the frame is not touched."""
        if self._cells.values[0]:
            return "hold"
        self._cells.put_all((0, 0, 0, 0, 0))
        self.faults.set("self-check", 0)
        self._manual = NONE
        self.motion.clear()
        self._note_lid()
        self.motion.keep_quiet()
        return ""

    # --- readings ---------------------------------------------------------------------------
    def _read_probes(self, dt_ms, inputs):
        """Sample when a conversion can be new; while the lid moves steps are shorter than that."""
        self._probe_ms += dt_ms
        if self._probe_ms < PROBE_EVERY_MS:
            return
        self.probes.sample(inputs.probes, max(1, (self._probe_ms + 500) // 1000))
        self._probe_ms = 0

    def _read_rest(self, dt_s, inputs):
        if self.motion.moving:
            self._rested_s = 0
        else:
            self._rested_s = min(BATTERY_REST_S, self._rested_s + dt_s)
        if self._rested_s >= BATTERY_REST_S or self._battery_mv == NONE:
            self._battery_mv = inputs.battery_mv
        self._wet_s = 0 if inputs.rain == 1 else min(WET_S, self._wet_s + dt_s)

    # --- law and lid --------------------------------------------------------------------------
    def _ask_law(self, dt_ms, inputs):
        """Fill in what the law senses and ask it, once a second at most."""
        self._law_ms += dt_ms
        if self._law_ms < LAW_EVERY_MS:
            return
        sense = self._sense
        sense[law.DT] = 0 if self._first else self._law_ms // 1000
        self._law_ms %= 1000
        sense[law.AIR] = self.air_mdegc
        sense[law.OUTSIDE] = self.probes.value("outside")
        sense[law.SOIL] = self.probes.value("soil")
        sense[law.SUN] = self._sun_cdeg
        sense[law.AFTER_NOON] = self._after_noon
        sense[law.DAY_OF_YEAR] = self._day_of_year
        sense[law.WIND] = inputs.wind_mms
        sense[law.BATTERY] = self._battery_mv
        sense[law.LIGHT] = inputs.light_lx
        sense[law.HOLD] = 0 if self.mode == "auto" else 1
        sense[law.LID_FAULT] = self.motion.latched
        sense[law.POSITION] = self.motion.position_permille
        sense[law.NORTH] = 1 if self.settings["lat_mdeg"] >= 0 else 0
        before = self._state[law.TARGET]
        self._answer = law.decide(sense, self._state, self.law_settings)
        if self._state[law.TARGET] != before:
            self._why = self.reason

    def _wanted(self):
        """The opening the lid shall go to, NONE to stay."""
        cells = self._cells.values
        if cells[0] or cells[1] or cells[2]:
            return NONE
        if self._manual != NONE:
            # Heat and frost end an order: the law takes over after its minute.
            if law.order_harms(self._manual, self.air_mdegc, 0, self.law_settings):
                self._manual = NONE
                self.motion.keep_quiet()
                return NONE
            return NONE if self._state[law.BATTERY_LEVEL] == 2 else self._manual
        reason = law.reason_of(self._answer)
        if reason == law.HELD or reason == law.FAULTY or reason == law.EMPTY:
            return NONE
        return law.target_of(self._answer)

    def _move(self, dt_ms, dt_s, inputs, actions):
        motion = self.motion
        air = self.air_mdegc
        if self._cells.values[1] or self._cells.values[2]:
            motion.calm()       # a drive that stalled in the very step of the hold must not drive back after it
        if not motion.moving:
            # Only a lid on its rim can be frozen to it.
            wet = self._wet_s < WET_S and motion.state in (lid_table.SHUT, lid_table.STUCK)
            motion.icy = law.ice_risk(air, self.probes.value("outside"), 1 if wet else 0)
        was_moving = motion.moving
        motion.step(dt_ms, self._wanted(), inputs.at_shut, inputs.at_open,
                    inputs.motor_ma, inputs.pot_permille, self._cells.values[0])
        if motion.done:
            self._ended_drive(actions)
        if motion.started:
            self._air_before_mdegc = air
            if motion.state == lid_table.SHUTTING:
                self.drop.shut()
            why = "order" if self._manual != NONE else self._why or self.reason
            self.teller.event(actions, "move", {"from_permille": motion.from_permille,
                                                "to_permille": self.target_permille, "reason": why})
        if motion.done or motion.started or was_moving and not motion.moving:
            self._save(actions)
        self._note_lid()
        self.drop.follow(dt_s, air, self.probes.value("outside"), self._sun_or_light(inputs))
        actions.motor = motion.motor
        actions.duty_permille = motion.duty_permille

    def _ended_drive(self, actions):
        motion = self.motion
        self.teller.event(actions, "moved", {"position_permille": motion.position_permille,
                                       "took_ms": motion.took_ms, "peak_ma": motion.current.peak_ma})
        if motion.state in (lid_table.PART, lid_table.OPEN):
            self.drop.opened(motion.from_permille, motion.position_permille, self._air_before_mdegc)

    def _sun_or_light(self, inputs):
        """Sun height, or with no clock what the daylight says of it."""
        if self._sun_cdeg == law.NO_SUN and inputs.light_lx != NONE:
            return 1 if inputs.light_lx >= DAYLIGHT_LX else 0
        return self._sun_cdeg

    def _save(self, actions):
        """Store what must survive a power cut; the shell does it before anything moves."""
        motion = self.motion
        actions.saves.append(("state", {
            "position": motion.position_permille, "moving": motion.moving, "hold": self._cells.values[1],
            "latched": lid_table.FAULTS[motion.fault] if motion.latched else "",
            "orders_n": self._desk.orders_n, "day": self._state[law.DAY], "used": self._state[law.USED],
            "open_ms": motion.place.open_ms, "shut_ms": motion.place.shut_ms,
        }))

    # --- lamp, siren, pace ------------------------------------------------------------------------
    def _signal(self, dt_s, inputs, actions):
        """Siren for a coming closing, for the two worst alarms and to be found; lamp for any fault."""
        self._silent_s = 0 if inputs.ack else min(SILENCED_S, self._silent_s + dt_s)
        worst = self.faults.has("open-in-frost") or self.finder.hot_and_shut
        # The first minute of every ten, every other five seconds.
        beat = self.uptime_s % 600 < 60 and self.uptime_s // 5 % 2 == 0
        alarm = worst and beat and self._silent_s >= SILENCED_S
        actions.siren = 1 if self.motion.siren or alarm or self._locate_s else 0
        actions.lamp = 1 if self._locate_s or self.faults.words() else 0
        if self.motion.moving:
            actions.next_ms = MOVING_MS
        elif self.motion.siren or self._locate_s:
            actions.next_ms = SOUNDING_MS
        else:
            actions.next_ms = self._rest_ms


def _number(record, name, lowest, highest, otherwise):
    """A whole number of a stored record, or `otherwise`: storage is not trusted either."""
    value = record.get(name)
    return value if is_whole(value, lowest, highest) else otherwise
