"""Plays one scenario in one weather and judges it."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from .book import Entry, Expected
from .house import Story
from .watch import Watch, recovered

SETTLE_S = 60  # a person comes back to the frame this long after the fault has gone
URGENT = "Urgent"


@dataclass
class Result:
    """What came of it. Times are seconds; None: it did not happen."""

    name: str
    weather: str
    said: str = ""
    took_s: float | None = None
    limit_s: float = 0.0
    back_s: float | None = None
    told: int = 0
    broken: list[str] = field(default_factory=list)

    @property
    def verdict(self) -> str:
        """In one word, or the reasons."""
        return "; ".join(self.broken) or "ok"


class Play:
    """One run."""

    def __init__(self, entry: Entry, weather: str, home: Path) -> None:
        self.entry, self.weather = entry, weather
        self.want: Expected = entry.expected[weather]
        self.story = Story(home, weather, entry.text, self.want.fit)
        self.watch = Watch(self.story, not self.want.unseen)
        self.result = Result(entry.name, weather, limit_s=self.want.within_s or self.want.word_s)
        self._since_s: float | None = None
        self._all_over_s: float | None = None
        self._ordered = False

    def run(self) -> Result:
        """Run to the end, or until all has been shown."""
        story = self.story
        try:
            end_s = story.start_s + story.hours * 3600
            while story.rehearsal.now_s < end_s:
                story.rehearsal.step()
                self._follow()
                self.watch.step()
                if self._shown():
                    break
                if self._all_over_s is not None and self.want.after != "stays":
                    end_s = max(end_s, self._all_over_s + self.want.within_after_s + 60)
            self._judge()
        finally:
            story.close()
        return self.result

    # --- while it runs ------------------------------------------------------------------

    def _follow(self) -> None:
        runner, happenings = self.story.runner, self.story.scenario.happenings
        begun = [h for h in happenings if h.state in ("on", "over")]
        if len(begun) == len(happenings) and self._since_s is None:
            way = {"opening": 1, "shutting": -1}.get(self.want.since)
            if way is None or runner.frame.direction(runner.turn.motor) == way:
                started_s = runner.time_s if way else max(h.begins_ms for h in happenings) / 1000
                self._since_s = float(started_s)
                self.watch.begin(self._since_s)
        if all(h.state == "over" for h in happenings) and self._all_over_s is None:
            self._all_over_s = float(runner.time_s)
        over_s = self._all_over_s
        if self.want.after == "person" and not self._ordered and over_s and runner.time_s >= over_s + SETTLE_S:
            self._ordered = True
            self.story.house.outbox.publish_order(self.story.name, "auto")

    def _back(self) -> bool:
        """Note when everything is as it was."""
        if self._all_over_s is None or (self.want.after == "person" and not self._ordered):
            return False
        if recovered(self.story, self.watch, self.want.left) == "":
            if self.result.back_s is None:
                self.result.back_s = self.story.runner.time_s - self._all_over_s
        else:
            self.result.back_s = None
        return self.result.back_s is not None and self.story.runner.time_s - self._all_over_s > 600

    def _shown(self) -> bool:
        if self.want.after == "stays":
            return False
        back = self._back()
        return back and self._since_s is not None and self._missing() == ""

    # --- judging ------------------------------------------------------------------------

    def _missing(self) -> str:
        """What was expected and has not come."""
        if self.want.alarms and not self._first(self.want.alarms, self.watch.first_alarm):
            return f"no alarm {' or '.join(self.want.alarms)} (rang: {', '.join(self.watch.first_alarm) or 'none'})"
        if self.want.words and not self._first(self.want.words, self.watch.first_word):
            return f"never said {' or '.join(self.want.words)} (said: {', '.join(self.watch.first_word) or 'none'})"
        return ""

    @staticmethod
    def _first(names: tuple[str, ...], seen: dict[str, float]) -> tuple[float, str] | None:
        found = [(seen[name], name) for name in names if name in seen]
        return min(found) if found else None

    def _judge(self) -> None:
        result, want, watch = self.result, self.want, self.watch
        result.broken += watch.broken
        result.told = len(self.story.phone)
        if self._since_s is None:
            waiting = [h.fault for h in self.story.scenario.happenings if h.state not in ("on", "over")]
            result.broken.append(f"never came to it: {waiting or want.since}")
            return
        missing = self._missing()
        if missing:
            result.broken.append(missing)
        else:
            self._judge_times()
        if not want.alarms:
            loud = [title for at, title in self.story.phone if title.startswith(URGENT) and at >= self._since_s]
            if loud and "loud" not in want.left:
                result.broken.append(f"rang for nothing: {loud[0]}")
        if want.after != "stays" and result.back_s is None:
            result.broken.append("not back: " + recovered(self.story, watch, want.left))
        elif result.back_s is not None and result.back_s > want.within_after_s:
            result.broken.append(f"back only after {result.back_s:.0f} s")

    def _judge_times(self) -> None:
        result, want = self.result, self.want
        for names, seen, limit_s in (
            (want.alarms, self.watch.first_alarm, want.within_s), (want.words, self.watch.first_word, want.word_s),
        ):
            first = self._first(names, seen)
            if first is None:
                continue
            took_s = first[0] - (self._since_s or 0.0)
            if result.took_s is None:
                result.said, result.took_s = first[1], took_s
            if took_s > limit_s:
                result.broken.append(f"{first[1]} after {took_s:.0f} s, limit {limit_s:.0f} s")


def play(entry: Entry, weather: str) -> Result:
    """Run one scenario in one weather in a folder of its own."""
    with tempfile.TemporaryDirectory(prefix="sashkeeper-fault-") as home:
        return Play(entry, weather, Path(home)).run()


def play_named(job: tuple[Entry, str]) -> Result:
    """For worker processes; a crash is a verdict, too."""
    entry, weather = job
    try:
        return play(entry, weather)
    except Exception as error:
        crashed: Any = Result(entry.name, weather)
        crashed.broken.append(f"crashed: {type(error).__name__}: {error}")
        return crashed
