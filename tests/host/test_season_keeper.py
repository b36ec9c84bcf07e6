"""Setpoints follow the season once a day, and leave alone what is the grower's own."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime
from pathlib import Path

from sash import settings as controller
from sashkeeper import config as config_file
from sashkeeper.season.season_keeper import SeasonKeeper
from sashkeeper.store import Store

PLACE = {"name": "invented", "lat_deg": 45.9, "lon_deg": 14.8, "timezone": "Europe/Ljubljana"}


class Post:
    """Takes what is sent, records it as the outbox does, and can let the frame take it."""

    def __init__(self, store: Store) -> None:
        self.store, self.sent = store, []  # type: Store, list[dict[str, int]]
        self.time_s = 0.0

    def publish_wanted(self, frame: str, changes: dict[str, int], why: str = "") -> int:
        """Record."""
        self.sent.append(dict(changes))
        return self.store.settings_next(frame, changes, why, self.time_s)


def at(month: int, day: int, hour: int = 8) -> float:
    """A time of the invented winter."""
    return datetime(2026 + (month < 7), month, day, hour, tzinfo=UTC).timestamp()


def take(store: Store, frame: str, now_s: float, **changes: int) -> None:
    """The frame says what is in force."""
    sent = store.settings_sent(frame, 1)
    have = store.actual(frame)
    settings = dict(have.body["settings"]) if have else controller.defaults()
    if sent:
        settings.update(sent[0].settings)
    body = {"v": 1, "n": sent[0].n if sent else 0, "settings": {**settings, **changes}, "refused": None}
    store.save_actual(frame, body, now_s)


def keeper(store: Store, home: Path, **season: bool) -> tuple[SeasonKeeper, Post, list[str]]:
    """A keeper with its post and what it says."""
    config = config_file.check({"place": PLACE, "season": season}, "test")
    post, said = Post(store), []  # type: Post, list[str]
    return SeasonKeeper(store, config, home, post, said.append), post, said


def test_sends_what_differs_once_a_day(store: Store, home: Path) -> None:
    """The first look sends crop setpoints and place; the same day nothing more; taken, nothing on the next day."""
    one, post, said = keeper(store, home)
    store.planting_add("north", "spinach", "2026-09-10")
    assert one.tick(at(10, 20)) == []  # the frame has not spoken yet
    take(store, "north", at(10, 20))
    assert one.tick(at(10, 20, 2)) == []  # still night at the place
    assert one.tick(at(10, 20)) == ["north"]
    assert post.sent[0]["lat_mdeg"] == 45_900
    assert "open_mdegc" in post.sent[0]
    assert "follow the season (spinach growing)" in said[0]
    assert one.tick(at(10, 20, 9)) == []
    take(store, "north", at(10, 20, 10))
    assert one.tick(at(10, 21)) == []


def test_stage_changes_bring_new_setpoints(store: Store, home: Path) -> None:
    """In the dark weeks the winter class takes over, without anybody's doing."""
    one, post, _ = keeper(store, home)
    store.planting_add("north", "spinach", "2026-09-10")
    take(store, "north", at(10, 20))
    one.tick(at(10, 20))
    take(store, "north", at(10, 20, 10))
    assert one.tick(at(12, 15)) == ["north"]
    assert post.sent[1]["open_mdegc"] < post.sent[0]["open_mdegc"]


def test_the_growers_own_values_stay(store: Store, home: Path) -> None:
    """What was set by hand or tuned is not overwritten; the rest still follows."""
    one, post, _ = keeper(store, home)
    store.planting_add("north", "spinach", "2026-09-10")
    store.settings_next("north", {"open_mdegc": 21_000}, "set by hand", at(10, 1))
    take(store, "north", at(10, 1))
    assert one.tick(at(10, 20)) == ["north"]
    assert "open_mdegc" not in post.sent[0]
    assert "close_mdegc" in post.sent[0]


def test_never_outside_the_controllers_rules(store: Store, home: Path) -> None:
    """Season values that clash with the grower's own are not sent, and the log says why."""
    one, post, said = keeper(store, home)
    store.planting_add("north", "spinach", "2026-09-10")
    store.settings_next("north", {"open_mdegc": 9_000}, "set by hand", at(10, 1))
    take(store, "north", at(10, 1), close_mdegc=6_000)
    assert one.tick(at(10, 20)) == []
    assert post.sent == []
    assert "do not go with your own" in said[0]


def test_can_be_switched_off_and_minds_empty_frames(store: Store, home: Path) -> None:
    """follow_season = false sends nothing; neither does an empty bed."""
    off, post, _ = keeper(store, home, follow_season=False)
    take(store, "north", at(10, 1))
    on, other, _ = keeper(store, home)
    assert on.tick(at(10, 20)) == []
    store.planting_add("north", "spinach", "2026-09-10")
    assert off.tick(at(10, 20)) == []
    assert post.sent == other.sent == []


def test_waiting_settings_are_not_sent_twice(store: Store, home: Path) -> None:
    """A frame that is away for days gets one message, not one a day."""
    one, post, _ = keeper(store, home)
    store.planting_add("north", "spinach", "2026-09-10")
    take(store, "north", at(10, 20))
    one.tick(at(10, 20))
    one.tick(at(10, 21))
    assert len(post.sent) == 1


def test_option_is_checked() -> None:
    """A wrong kind of value is named."""
    import pytest

    from sashkeeper.errors import InputError
    from sashkeeper.season.place import read_season

    with pytest.raises(InputError) as fault:
        read_season(tomllib.loads("follow_season = 1"))
    assert "season.follow_season has to be true or false" in fault.value.sentence
