"""What a frame tells, and when: events at once, readings by the clock, the report on change.

Holds the two running numbers and what was told last; the words come from
messages.py, the facts from the core. Every message is (suffix, content, qos, retain).
"""

from . import messages

# All chosen by us.
REPORT_EVERY_S = 600
REASON_EVERY_S = 60         # a change of reason alone is told at most this often


class Teller:
    """Collects the messages of one step in `actions.messages`."""

    def __init__(self, core):
        self._core = core
        self._readings_seq = 0
        self._events_seq = 0
        self._reading_s = 0
        self._report_s = 0
        self._reason_s = REASON_EVERY_S
        self._reason = ""
        self._told = None           # what the last report said; None: nothing yet

    def event(self, actions, kind, fields):
        """Tell one event; `fields` is what its kind adds."""
        self._events_seq += 1
        core = self._core
        message = messages.event(core.boot, self._events_seq, core.unix_s, kind, fields)
        actions.messages.append(("events", message, 1, 0))

    def actual(self, actions, refused_n, why):
        """Tell which settings are in force."""
        core = self._core
        message = messages.actual(core.settings_n, core.settings, refused_n, why)
        actions.messages.append(("settings/actual", message, 1, 1))

    def answer(self, actions, number, why):
        """Answer an order; an empty reason means done."""
        actions.messages.append(("orders/answer", messages.answer(number, why), 1, 0))

    def again(self):
        """Tell readings and report in this step, whatever was told before."""
        self._told = None
        self._reading_s = self._core.settings["report_s"]

    def start(self, actions):
        """The first step after power-up."""
        core = self._core
        fields = {"cause": core.cause}
        if core.crash_text:
            fields["detail"] = core.crash_text[:200]
        self.event(actions, "reset", fields)
        self.actual(actions, -1, "")
        if core.mode == "hold":
            self.event(actions, "hold", {"on": True})
        self.again()

    def step(self, dt_s, inputs, actions, mode_before):
        """Tell what has changed and what is due."""
        core = self._core
        for word, is_on, detail in core.faults.take():
            if is_on:
                self.event(actions, "fault", {"fault": word, "detail": detail})
            else:
                self.event(actions, "cleared", {"fault": word})
        if core.mode != mode_before:
            self.event(actions, "mode", {"mode": core.mode, "why": core.reason})
            if core.mode == "hold" or mode_before == "hold":
                self.event(actions, "hold", {"on": core.mode == "hold"})
        self._reading_s += dt_s
        if self._reading_s >= core.settings["report_s"]:
            self._reading_s = 0
            actions.messages.append(("readings", self._readings(inputs), 1, 0))
        self._report_s += dt_s
        self._reason_s += dt_s
        if self._must_report():
            self._report_s = 0
            actions.messages.append(("report", messages.report(core), 1, 1))

    def _must_report(self):
        """On change and every ten minutes; a change of reason alone at most once a minute."""
        core = self._core
        now = (core.lid_state, core.target_permille, core.mode, core.settings_n, tuple(core.faults.words()))
        new_reason = core.reason != self._reason and self._reason_s >= REASON_EVERY_S
        if now == self._told and not new_reason and self._report_s < REPORT_EVERY_S:
            return 0
        self._told = now
        if core.reason != self._reason:
            self._reason = core.reason
            self._reason_s = 0
        return 1

    def _readings(self, inputs):
        core = self._core
        self._readings_seq += 1
        temperatures = [(place, core.probes.value(place)) for place in core.probes.fitted]
        whole = (
            ("battery", "V", inputs.battery_mv, 1000),
            ("current", "A", inputs.motor_ma, 1000),
            ("light", "lx", inputs.light_lx, 1),
            ("wind", "m/s", inputs.wind_mms, 1000),
            ("humidity", "%RH", inputs.humidity_permille, 10),
        )
        return messages.readings(core.frame, core.unix_s, self._readings_seq, core.boot, temperatures, whole,
                                 core.position_permille, core.target_permille)
