"""The guide, typed line by line as a new user would, with a simulated lid in the place of a real one."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import time
from collections.abc import Callable, Mapping
from pathlib import Path

import click
import pytest

from sashkeeper.cli import main
from tests.docs.guide_user import NewUser, Phone
from tests.host.pty_board import PtyBoard

ROOT = Path(__file__).resolve().parents[2]
GUIDE = ROOT / "docs" / "guide.md"
BLOCK = re.compile(r"```(sh|toml)\n(.*?)```", re.S)

# What the guide says needs a real board or is done before a test can run; everything else is typed.
NOT_HERE = {
    "make setup": "the test runs inside what it makes",
    ". .venv/bin/activate": "the same",
    "sashkeeper board runtime MICROPYTHON_FILE": "erases a real chip",
    "sashkeeper board probes north": "asks for a warm hand",
    "sashkeeper board check north": "moves a real lid",
}


def steps(guide: Path = GUIDE) -> list[tuple[str, str]]:
    """("sh", command) and ("toml", text) in the order of the guide."""
    found: list[tuple[str, str]] = []
    for kind, body in BLOCK.findall(guide.read_text(encoding="utf-8")):
        found += [("toml", body)] if kind == "toml" else [("sh", line) for line in body.splitlines() if line.strip()]
    return found


def commands_of(group: click.Group, context: click.Context, words: list[str]) -> click.Command | None:
    """The click command that some words lead to."""
    found: click.Command | None = group
    for word in words:
        if not isinstance(found, click.Group) or word.startswith("-"):
            break
        found = found.get_command(context, word)
    return found


def test_every_command_of_the_guide_exists() -> None:
    """Each command line, those in the table at the end too, parses: command, options and arguments are real."""
    text = GUIDE.read_text(encoding="utf-8")
    lines = [line for kind, line in steps() if kind == "sh"] + re.findall(r"`(sashkeeper [^`]+)`", text)
    assert len(lines) > 30
    context = click.Context(main)
    for line in lines:
        words = shlex.split(line)
        if words[0] != "sashkeeper" or words[1].startswith("-"):
            continue
        command = commands_of(main, context, words[1:])
        assert command is not None, line
        depth = 2 if isinstance(main.get_command(context, words[1]), click.Group) and len(words) > 2 else 1
        if isinstance(command, click.Group):
            continue  # a mention of the whole group
        options = {name for p in command.params if isinstance(p, click.Option) for name in (*p.opts, *p.secondary_opts)}
        for word in words[1 + depth :]:
            assert not word.startswith("--") or word in options, f"{line}: {word}"


def test_what_is_left_out_is_in_the_guide() -> None:
    """The list of untyped lines holds nothing that the guide no longer says."""
    lines = {line for kind, line in steps() if kind == "sh"}
    assert set(NOT_HERE) <= lines


@pytest.mark.system
def test_the_guide_from_box_to_first_alert(
    tmp_path: Path, micropython: str, mosquitto: str, record_property: Callable[[str, object], None]
) -> None:
    """Every command of the guide works in its order in a fresh home, over TLS, with both brokers. The firmware that
    `board install` wrote leaves the lid alone before the bench check, keeps it afterwards, tells of a lid that does
    not move, opens it in the sun, and goes on over the change of broker. Prints time and number of steps."""
    user = follow(tmp_path, micropython, NOT_HERE, None)
    record_property("guide_steps", user.typed)
    assert user.typed >= 25


@pytest.mark.slow
@pytest.mark.system
@pytest.mark.timeout(3600)
def test_the_guide_in_a_fresh_clone(tmp_path: Path, micropython: str, mosquitto: str) -> None:
    """The same by somebody who has nothing but a clone: the program set up by the command that the guide names."""
    if shutil.which("git") is None or not (ROOT / ".git").exists():
        pytest.skip("not a git checkout")
    clone = tmp_path / "sashkeeper"
    subprocess.run(["git", "clone", "-q", str(ROOT), str(clone)], check=True, timeout=120)
    left_out = {line: why for line, why in NOT_HERE.items() if line not in ("make setup", ". .venv/bin/activate")}
    user = follow(tmp_path, micropython, left_out, clone)
    assert user.typed >= 27
    print(f"guide: make setup took {user.took_s['make setup']:.0f} s")


def follow(tmp_path: Path, micropython: str, left_out: Mapping[str, str], checkout: Path | None) -> NewUser:
    """Type the guide from its first line to its last."""
    began = time.monotonic()
    phone, root = Phone(), tmp_path / "board"
    root.mkdir()
    guide = (checkout or ROOT) / "docs" / "guide.md"
    with PtyBoard(root) as board:
        user = NewUser(tmp_path, board, phone, micropython, checkout)
        try:
            for kind, text in steps(guide):
                if kind == "toml":
                    if text.startswith("[broker]"):
                        user.stop("sashkeeper")
                    user.write(text)
                    if text.startswith("[broker]"):
                        user.typed += 1
                        user.start(["sashkeeper", "serve"])
                    continue
                if text in left_out:
                    continue
                before(user, text)
                user.type(text)
                after(user, text)
            # Over the change of broker: readings still arrive.
            count = user.see("frames", "show", "north")["readings"]
            user.wait(lambda: user.see("frames", "show", "north")["readings"] > count, "readings over Mosquitto")
        finally:
            user.close()
            phone.close()
    print(f"guide: {user.typed} commands typed, {len(left_out)} left out, {time.monotonic() - began:.0f} s")
    slowest = sorted(user.took_s.items(), key=lambda item: -item[1])[:5]
    print("slowest: " + "; ".join(f"{line.removeprefix('sashkeeper ')} {took:.1f} s" for line, took in slowest))
    return user


def before(user: NewUser, line: str) -> None:
    """What hands do before a line."""
    if line.startswith("sashkeeper status north"):
        user.plug_in()
    if line == "sashkeeper alarms list":
        unplug(user)
    if line.startswith("sashkeeper service install"):
        user.stop("sashkeeper")
    if line == "sashkeeper doctor":
        # Started here as the service would have been.
        user.start(["sashkeeper", "serve"])
        assert user.garden is not None
        user.wait(lambda: bool(user.see("status")["frames"][0]["here"]), "the frame to come back")
        subprocess.run(["sashkeeper", "service", "backup", "backups"], cwd=user.desk, env=user.environment, check=True,
                       capture_output=True, timeout=60)  # fmt: skip
    if line.startswith("mosquitto"):
        user.stop("sashkeeper")


def after(user: NewUser, line: str) -> None:
    """What must have come of it."""
    if line == "sashkeeper alarms test":
        assert len(user.phone.heard) == 1
    if line.startswith("sashkeeper size"):
        assert "do NOT build" not in user.said[line]
    if line == "sashkeeper alarms list":
        assert "north" in user.said[line]
    if line == "sashkeeper order north auto":
        assert user.garden is not None
        garden = user.garden
        user.wait(lambda: garden.at > 50, "the lid to open after all", lambda: user.see("status"))
    if line == "sashkeeper broker show":
        assert "it answers" in user.said[line]
        assert "TLS" in user.said[line]


def unplug(user: NewUser) -> None:
    """Noon comes, the lid wants to open, the motor is unplugged; after the alert it is plugged in again."""
    assert user.garden is not None
    user.garden.plugged = False
    user.garden.air_degc = 14.0
    user.wait(lambda: user.see("status")["frames"][0]["values"]["air"] > 13.5, "the frame to get warmer")
    user.garden.air_degc = 24.0
    user.wait(lambda: any("told to open and did not" in text for text in user.phone.heard), "the alert",
              lambda: (user.phone.heard, user.see("status")), 90.0)  # fmt: skip
    user.garden.plugged = True
