"""Plays the demo's day: real firmware, real broker, real host, real delivery; only frame and weather are simulated."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from ..alarms import states
from ..context import STORE_NAME
from ..rehearsal import BrokerWire, Household, Rehearsal
from ..wire.access import HOST_USER
from ..wire.broker import EmbeddedBroker, host_password
from ..wire.bus import Address
from . import day
from .phone import Phone
from .picture import DayPicture, Mark, draw
from .story import Story

Say = Callable[[float | None, str], None]

OVER = (states.NORMAL, states.RETURNED)
PROBES = {"air": "invented-1", "soil": "invented-2", "outside": "invented-3"}
QUICK_LINK_MS = [50, 1000]  # virtual time runs fast: try the broker again soon


class Play:
    """One performance. `say` is told each turn of the story with its virtual time."""

    def __init__(self, out: Path, say: Say) -> None:
        self.out, self.say = out, say
        self.story = Story()
        self._traces: dict[str, list[float]] = {n: [] for n in ("t", "inside", "outside", "soil", "opening")}

    def run(self) -> Story:
        """Play the day and write everything into `out`."""
        begun = time.monotonic()
        home = self.out / "home"
        shutil.rmtree(self.out, ignore_errors=True)
        phone = Phone(lambda: round(self.house.clock.now_s()))
        try:
            self.house = Household(home, day.at_s(day.START_HOUR), day.PLACE, (phone.url,))
            frame = self.house.add_frame(day.FRAME)
            for crop, since, share in day.CROPS:
                self.house.plant(frame, crop, since, share)
            with EmbeddedBroker(home / STORE_NAME, port=0) as broker:
                self._set_stage(frame, broker)
                self.say(self.rehearsal.now_s, self._who_plays())
                self._perform(frame, phone)
                self.rehearsal.close()
        finally:
            phone.close()
        self.story.wall_s = time.monotonic() - begun
        return self.story

    # --- stage -----------------------------------------------------------------------------

    def _set_stage(self, frame: str, broker: EmbeddedBroker) -> None:
        from framesim.frame import load
        from framesim.model import FrameModel
        from framesim.runner import Hooks, Lockstep
        from framesim.virtual_frame import Parts, VirtualFrame

        weather = day.weather()
        fittings = self.house.fittings(
            frame, "127.0.0.1", broker.port, probes=PROBES, link_retry_ms=QUICK_LINK_MS, boot_wait_s=60
        )
        account = Address("127.0.0.1", broker.port, HOST_USER, host_password(self.house.store))
        virtual = VirtualFrame(FrameModel(load("garden-frame"), weather), Parts.for_fittings(fittings))
        self.runner = Lockstep(
            virtual, fittings, day.at_s(day.START_HOUR), self.out / "board", "127.0.0.1", broker.port,
            hooks=Hooks(on_step=self._watch),
        )  # fmt: skip
        self.rehearsal = Rehearsal(self.house, BrokerWire(self.house, account))
        self.rehearsal.add(self.runner)
        self.story.weather = weather.source
        self.story.broker = f"{broker!r}".strip("<>").replace("EmbeddedBroker", "embedded (amqtt)")

    def _who_plays(self) -> str:
        self._until(lambda: self._report() is not None, 60)
        self.story.interpreter = str((self._report() or {}).get("interpreter", "")).replace("cpython", "CPython")
        words = f"The firmware runs in {self.story.interpreter} and talks MQTT to the host."
        if not self.story.interpreter.startswith("micropython"):
            words += " (There is no desktop MicroPython for this machine, so Python runs the same files.)"
        return words

    def _report(self) -> dict[str, Any] | None:
        return self.house.service.live(self.runner.frame_id).report

    # --- the day ---------------------------------------------------------------------------

    def _perform(self, frame: str, phone: Phone) -> None:
        story, runner = self.story, self.runner
        self._send_setpoints(frame)
        if self._until(lambda: runner.turn.motor > 0, 8 * 3600):
            story.opened_s = self.rehearsal.now_s
            self.say(story.opened_s, f"The lid opens a crack: {self._inside()} inside, {self._outside()} outside.")
        self.rehearsal.run_until(day.at_s(day.CLOUD_HOUR, 15))
        self._until(lambda: runner.frame.lid.lid_permille <= 5 and runner.turn.motor == 0, 4 * 3600)
        self._hook_tie()
        self._until(lambda: runner.turn.motor > 0, 3 * 3600)
        story.jammed_s = self.rehearsal.now_s
        self.say(story.jammed_s, f"Sun again, {self._inside()} inside. Told to open; the tie holds the lid.")
        self._hear(phone)
        self._free_the_lid()
        self._until(lambda: runner.frame.lid.lid_permille > 20, 3600)
        story.reopened_s = self.rehearsal.now_s if runner.frame.lid.lid_permille > 20 else None
        self.say(story.reopened_s, f"The lid opens by itself. Inside it was {story.peak_degc:.1f} C at most.")
        self._until(lambda: len(phone.heard) > 1, 3600)
        self.rehearsal.run_until(day.at_s(day.END_HOUR))
        self._look_back(frame, phone)

    def _send_setpoints(self, frame: str) -> None:
        wanted = self.house.suggested(frame)
        number = self.house.outbox.publish_wanted(frame, wanted, "crops")
        self._until(lambda: self.rehearsal.confirmed(frame, number), 300)
        self.story.settings_confirmed = self.rehearsal.confirmed(frame, number)
        actual = self.house.store.actual(frame)
        self.story.settings = dict(actual.body["settings"]) if actual else {}
        self.say(
            self.rehearsal.now_s,
            f"For spinach and leaf lettuce: open at {wanted['open_mdegc'] / 1000:g} C, shut at "
            f"{wanted['close_mdegc'] / 1000:g} C. The frame confirms.",
        )

    def _hook_tie(self) -> None:
        from framesim.faults import Fault

        # The tie holds the lid where it rests on its rim.
        self._tie = Fault("lid", "latch", {"slack_permille": self.runner.frame.lid.lid_permille + 0.5})
        self.runner.frame.faults.start(self._tie)
        self.story.tied_s = self.rehearsal.now_s
        self.say(self.story.tied_s, "Clouds; the lid is shut. Somebody hooks the storm tie and forgets it.")

    def _hear(self, phone: Phone) -> None:
        before = len(phone.heard)
        self._until(lambda: len(phone.heard) > before, 1800)
        for heard in phone.heard[before:]:
            self.say(heard.time_s, f"The phone hears: {heard.title}")
        self.rehearsal.run_until(self.rehearsal.now_s + day.ANSWER_AFTER_S)
        for shown in self.house.desk.standing():
            if shown.id is not None and shown.alarm == "stuck-shut":
                self.house.desk.acknowledge(shown.id, "grower")
                self.say(self.rehearsal.now_s, "The grower, away from home, says: I know. A neighbour is asked.")

    def _free_the_lid(self) -> None:
        from framesim.faults import Fault

        self.rehearsal.run_until(self.rehearsal.now_s + day.NEIGHBOUR_AFTER_S)
        faults, hands = self.runner.frame.faults, Fault("hold", "pressed")
        faults.start(hands)
        faults.end(self._tie)
        self.rehearsal.run_until(self.rehearsal.now_s + day.HANDS_IN_S)
        faults.end(hands)
        self.story.freed_s = self.rehearsal.now_s
        self.say(self.story.freed_s, "A neighbour presses hold, unhooks the tie, and releases hold.")

    # --- looking ---------------------------------------------------------------------------

    def _until(self, happened: Callable[[], bool], most_s: float) -> bool:
        """Let time pass until something is so; False when it is not within `most_s` of virtual time."""
        end_s = min(self.rehearsal.now_s + most_s, day.at_s(day.END_HOUR))
        while not happened():
            if self.rehearsal.now_s >= end_s:
                return False
            self.rehearsal.step()
        return True

    def _watch(self, runner: Any) -> None:
        inside, outside, soil = map(self._felt, ("air", "outside", "soil"))
        self.story.peak_degc = max(self.story.peak_degc, inside)
        values = (runner.time_s, inside, outside, soil, runner.frame.open_frac)
        for trace, value in zip(self._traces.values(), values, strict=True):
            trace.append(value)

    def _felt(self, place: str) -> float:
        """What a probe feels, a little warmed by the sun: what the lid goes by, and what a grower is shown."""
        return float(self.runner.frame.probes[place].shown_degc)

    def _inside(self) -> str:
        return f"{self._felt('air'):.1f} C"

    def _outside(self) -> str:
        return f"{self._felt('outside'):.1f} C"

    def _look_back(self, frame: str, phone: Phone) -> None:
        """Fill in what only the store knows, and what is so at the end of the day."""
        story, store = self.story, self.house.store
        alarms = [a for a in store.alarm_list(limit=100) if a.frame == frame and story.jammed_s]
        stuck = [a for a in alarms if story.jammed_s and a.opened_s >= story.jammed_s and "stuck" in a.kind]
        if stuck:
            story.raised_s = stuck[-1].opened_s
            over = [step for step in store.alarm_log(stuck[-1].id) if step.to_state in OVER]
            story.cleared_s = over[-1].time_s if over else None
        story.moves = len([e for e in store.events(frame, limit=1000) if e.kind == "move"])
        story.closed_s = self._shut_since()
        story.virtual_s = self.rehearsal.now_s - day.at_s(day.START_HOUR)
        story.heard = list(phone.heard)
        story.stored = sum(self.house.service.inbox.stored.values())
        story.refused = sum(self.house.service.inbox.refused.values())
        if story.closed_s:
            self.say(story.closed_s, "Evening: the lid is shut, and the day's warmth stays in.")

    def _shut_since(self) -> float | None:
        """Since when the lid has been shut, by the physical trace; None when it is not."""
        opening, times = self._traces["opening"], self._traces["t"]
        if opening[-1] > 0.005:
            return None
        last_open = max((n for n, share in enumerate(opening) if share > 0.005), default=None)
        return None if last_open is None else times[last_open + 1]

    # --- writing down ----------------------------------------------------------------------

    def draw(self, path: Path) -> None:
        """Draw the day."""
        story = self.story
        alert = story.alert
        marks = [
            Mark(round(at_s), words, urgent)
            for at_s, words, urgent in (
                (story.opened_s, "lid opens a crack", False),
                (story.jammed_s, "told to open, jammed", True),
                (alert.time_s if alert else None, "the phone is told", True),
                (story.freed_s, "freed by a neighbour", False),
                (story.closed_s, "shut for the night", False),
            )
            if at_s is not None
        ]
        traces, settings = self._traces, story.settings
        draw(
            DayPicture(
                title=f"A winter day at {day.PLACE['name']}, {day.DAY:%d %B %Y}",
                note=f"Simulated frame, as its probes feel it; weather {story.weather.split(':')[0]}. "
                f"Firmware: {story.interpreter}.",
                zone=day.ZONE,
                time_s=[round(t) for t in traces["t"]],
                inside_degc=traces["inside"],
                outside_degc=traces["outside"],
                soil_degc=traces["soil"],
                opening=traces["opening"],
                close_degc=settings["close_mdegc"] / 1000,
                open_degc=settings["open_mdegc"] / 1000,
                scorch_degc=settings["scorch_mdegc"] / 1000,
                marks=marks,
            ),
            path,
        )
