"""`sashkeeper alarms`: what a grower types and reads."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from sashkeeper.alarms import build
from sashkeeper.cli import main
from sashkeeper.clock import SetClock
from sashkeeper.context import App
from sashkeeper.store import Event

NOON = 1_767_268_800.0


@pytest.fixture
def app(tmp_path: Path) -> Iterator[App]:
    """A home with one frame whose lid is stuck."""
    made = App(tmp_path, clock=SetClock(NOON))
    made.store.frame_add("north", b"k" * 32, NOON - 86_400, "North")
    desk = build(made.store, made.config, made.clock, tmp_path)
    event = Event("north", 1, 1, NOON, "fault", {"fault": "stuck-shut"})
    made.store.add_event(event)
    desk.observe("north", "events", event, NOON)
    yield made
    made.close()


def run(app: App, *words: str) -> Result:
    """One call of the command."""
    return CliRunner().invoke(main, ["alarms", *words], obj=app)


def test_list_and_show(app: App) -> None:
    """The list names what stands, and show tells its story; both as JSON too."""
    assert "North frame: lid stuck" in run(app, "list").output
    (row,) = json.loads(run(app, "list", "--json").output)
    assert (row["alarm"], row["state"], row["priority"]) == ("stuck-shut", "unacknowledged", "urgent")
    assert row["hands"]
    shown = run(app, "show", str(row["id"])).output
    assert "condition holds" in shown
    assert json.loads(run(app, "show", str(row["id"]), "--json").output)["steps"][0]["to"] == "unacknowledged"


def test_acknowledge_without_a_running_keeper(app: App) -> None:
    """With no keeper running, acknowledging takes effect at once."""
    assert run(app, "acknowledge", "1", "--who", "Ann").exit_code == 0
    (row,) = json.loads(run(app, "list", "--json").output)
    assert (row["state"], row["acknowledged_by"]) == ("acknowledged", "Ann")


def test_acknowledge_with_a_running_keeper(app: App) -> None:
    """With a keeper at work, the request waits in the store for it, and the keeper takes it at its next tick."""
    desk = build(app.store, app.config, app.clock, app.home)
    desk.tick()
    run(app, "acknowledge", "1", "--who", "Ann")
    assert json.loads(run(app, "list", "--json").output)[0]["state"] == "unacknowledged"
    desk.tick()
    assert json.loads(run(app, "list", "--json").output)[0]["state"] == "acknowledged"


def test_shelve_and_unshelve(app: App) -> None:
    """Shelving silences until an end and can be ended."""
    assert "silent for 2 h" in run(app, "shelve", "north", "stuck-shut", "--for", "2").output
    assert run(app, "list").output.startswith("Nothing needs hands")
    (row,) = json.loads(run(app, "list", "--all", "--json").output)
    assert (row["state"], row["shelf_end_s"]) == ("shelved", NOON + 7200)
    run(app, "unshelve", "north", "stuck-shut")
    assert json.loads(run(app, "list", "--json").output)[0]["alarm"] == "stuck-shut"


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["shelve", "north", "stuk-shut", "--for", "2"], 'Did you mean "stuck-shut"'),
        (["shelve", "nort", "stuck-shut", "--for", "2"], 'Did you mean "north"'),
        (["shelve", "north", "stuck-shut", "--for", "0"], "from 0.02 to 720"),
        (["shelve", "north", "stuck-shut", "--for", "nan"], "from 0.02 to 720"),
        (["acknowledge", "99"], "There is no alarm number 99"),
        (["show", "99"], "There is no alarm number 99"),
        (["test"], "No channel to a phone is set"),
        (["metrics", "--days", "0"], "--days"),
    ],
)
def test_wrong_input_is_one_sentence_and_code_2(app: App, words: list[str], sentence: str) -> None:
    """Wrong names and values are told in one sentence with exit code 2, and nothing changes."""
    before = json.loads(run(app, "list", "--all", "--json").output)
    result = run(app, *words)
    assert result.exit_code == 2
    assert sentence in result.output
    assert "Traceback" not in result.output
    assert json.loads(run(app, "list", "--all", "--json").output) == before


def test_phone_test_with_wrong_and_dead_addresses(app: App, port: int) -> None:
    """A wrong address is a wrong input (2); a right one where nothing answers is a failed job (1)."""
    def channels(url: str) -> list[dict[str, Any]]:
        return [{"name": "phone", "url": url}]

    app.change_config(channels=channels("nonsense://x"))
    result = run(app, "test")
    assert result.exit_code == 2
    assert 'channel "phone" cannot be used' in result.output
    app.change_config(channels=channels(f"json://127.0.0.1:{port}/"))
    result = run(app, "test")
    assert result.exit_code == 1
    assert "nothing answers" in result.output


def test_metrics_and_catalogue(app: App) -> None:
    """The figures mark a short span; the catalogue prints every record."""
    assert "do not judge" in run(app, "metrics").output
    figures = json.loads(run(app, "metrics", "--json").output)
    assert (figures["activations"], figures["short"]) == (1, True)
    assert "stuck-shut (urgent" in run(app, "catalogue").output
    records = json.loads(run(app, "catalogue", "--json").output)
    assert all(r["response"] for r in records)


def test_faulty_alarm_settings_are_all_named(app: App) -> None:
    """All faults of the [alarms] table are named at once."""
    app.change_config(alarms={"quiet_from": "25:00", "colour": "red", "sign_of_life": 7})
    result = run(app, "list")
    assert result.exit_code == 2
    for needed in ("quiet_from", "colour", "sign_of_life"):
        assert needed in result.output
