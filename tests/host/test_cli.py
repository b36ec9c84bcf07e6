"""The command: finds its parts, says faults in one sentence, and never shows a traceback for them."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from sashkeeper import commands
from sashkeeper.cli import Commands, as_sentence, main
from sashkeeper.context import App
from sashkeeper.errors import InputError, JobError, nearest

Run = Callable[..., Result]
NAMES = sorted(p.stem for p in Path(commands.__path__[0]).glob("*.py") if not p.stem.startswith("_"))


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("columns", [40, 80])
def test_every_command_explains_itself_on_a_narrow_screen(name: str, columns: int) -> None:
    """--help works for every command and keeps to the terminal's width."""
    result = CliRunner().invoke(main, [name, "--help"], terminal_width=columns)
    assert result.exit_code == 0, result.output
    assert "Usage: " in result.output
    # A long word (an option's name) may stick out, and click keeps ten columns for the text beside it.
    wide = [line for line in result.output.splitlines() if len(line) > columns + 4 and len(line.split()) > 3]
    assert wide == []


def test_help_lists_every_command() -> None:
    """The list of commands is complete without anybody keeping it."""
    result = CliRunner().invoke(main, ["--help"])
    for name in NAMES:
        assert f"\n  {name} " in result.output


def test_importing_the_command_is_light() -> None:
    """Starting does not load the heavy libraries; only the command that needs them does."""
    heavy = ("numpy", "matplotlib", "numba", "amqtt", "apprise", "paho")
    script = f"import sys, sashkeeper.cli; print([m for m in {heavy} if m in sys.modules])"
    out = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def test_a_wrong_command_gets_the_nearest(run: Run) -> None:
    """A typing mistake is met with the right word and code 2."""
    assert 'Did you mean "status"?' in run("staus", code=2).stderr
    assert "--help" in run("zzzzzz", code=2).stderr


def test_faults_are_one_sentence_with_their_code() -> None:
    """Input faults leave with 2, failed jobs with 1, and mistakes of ours are not hidden."""

    def group_with(fault: Exception) -> Result:
        group = Commands("x", params=[])

        @click.command("frames")
        def command() -> None:
            raise fault

        group.get_command = lambda ctx, name: command  # type: ignore[method-assign]
        return CliRunner().invoke(group, ["frames"])

    result = group_with(InputError("Wrong. Nothing was changed."))
    assert (result.exit_code, result.stderr) == (2, "sashkeeper: Wrong. Nothing was changed.\n")
    result = group_with(JobError("It failed."))
    assert (result.exit_code, result.stderr) == (1, "sashkeeper: It failed.\n")
    result = group_with(ModuleNotFoundError("No module named 'numba'", name="numba"))
    assert "pip install 'sashkeeper[sim]'" in result.stderr
    result = group_with(OSError(errno.ENOSPC, "No space left on device", "plot.png"))
    assert "plot.png cannot be written: No space left on device" in result.stderr
    assert isinstance(group_with(KeyError("ours")).exception, KeyError)
    assert as_sentence(ModuleNotFoundError("x", name="unheard_of")) is None


def test_a_missing_optional_package_does_not_break_the_list(monkeypatch: pytest.MonkeyPatch) -> None:
    """One command whose package is missing says so; the others are listed all the same."""
    import importlib

    real = importlib.import_module

    def fake(name: str, package: str | None = None) -> object:
        if name.endswith(".status"):
            raise ModuleNotFoundError("No module named 'matplotlib'", name="matplotlib")
        return real(name, package)

    monkeypatch.setattr("sashkeeper.cli.importlib.import_module", fake)
    result = CliRunner().invoke(main, ["--help"])
    assert result.exit_code == 0
    assert "frames" in result.output
    result = CliRunner().invoke(main, ["status", "north", "--json"])
    assert result.exit_code == 1
    assert "sashkeeper[plot]" in result.stderr


def test_home_is_chosen_by_option_then_environment(tmp_path: Path) -> None:
    """--home wins over SASHKEEPER_HOME, and a file is no home."""
    env = {"SASHKEEPER_HOME": str(tmp_path / "b")}
    assert CliRunner().invoke(main, ["--home", str(tmp_path / "a"), "frames", "add", "north"], env=env).exit_code == 0
    assert (tmp_path / "a" / "sashkeeper.db").exists()
    assert CliRunner().invoke(main, ["frames", "add", "north"], env=env).exit_code == 0
    assert (tmp_path / "b" / "sashkeeper.db").exists()
    (tmp_path / "file").write_text("")
    result = CliRunner().invoke(main, ["--home", str(tmp_path / "file"), "frames", "list"])
    assert result.exit_code == 2
    assert "is a file, not a folder" in result.stderr


def test_a_foreign_store_is_said_in_one_sentence(run: Run, home: Path) -> None:
    """Whatever the command, a store file that is not ours is named and left alone."""
    (home / "sashkeeper.db").write_text("not a database, just a note " * 40)
    for args in (("status",), ("frames", "list"), ("frames", "add", "x"), ("store", "check"), ("history", "north")):
        result = run(*args, code=1)
        assert "not a store that can be read" in result.stderr
        assert result.stderr.count("\n") == 1


@pytest.mark.skipif(os.name != "posix", reason="limits are a matter of POSIX")
def test_no_space_left_is_said_in_one_sentence(home: Path) -> None:
    """With no room for another byte a command says so, without a traceback, and the old store is sound."""
    command = [sys.executable, "-m", "sashkeeper", "--home", str(home)]
    subprocess.run([*command, "frames", "add", "north"], check=True, capture_output=True)
    limit = (home / "sashkeeper.db").stat().st_size
    script = (
        f"import resource, runpy, signal, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
        f"resource.setrlimit(resource.RLIMIT_FSIZE, ({limit // 8}, {limit // 8})); "
        f"sys.argv = ['sashkeeper', '--home', {str(home)!r}, 'frames', 'add', 'south']; "
        "runpy.run_module('sashkeeper', run_name='__main__')"
    )
    full = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert full.returncode == 1
    assert "Traceback" not in full.stderr
    assert "store" in full.stderr
    assert full.stderr.count("\n") == 1
    check = subprocess.run([*command, "store", "check"], capture_output=True, text=True)
    assert check.returncode == 0
    assert "1 frames" in check.stdout


def test_shell_completion_knows_commands(home: Path) -> None:
    """Completion, as click offers it, lists the commands that fit."""
    env = {**os.environ, "_SASHKEEPER_COMPLETE": "bash_complete", "COMP_WORDS": "sashkeeper st", "COMP_CWORD": "1"}
    out = subprocess.run([sys.executable, "-m", "sashkeeper"], env=env, capture_output=True, text=True)
    assert "status" in out.stdout
    assert "store" in out.stdout


@pytest.mark.parametrize(("word", "offer"), [("spinich", "spinach"), ("Spinach", "spinach"), ("xyz", None)])
def test_nearest(word: str, offer: str | None) -> None:
    """A near word is offered, a far one is not."""
    assert nearest(word, ["spinach", "lettuce"]) == (f' Did you mean "{offer}"?' if offer else "")


def test_the_store_is_closed_when_a_command_ends(home: Path) -> None:
    """No file stays open after a command, whatever its end."""
    app = App(home)
    app.store.frames()
    app.close()
    app.close()
    assert app.store.frames() == []
    app.close()


def leaves(group: click.Group, path: tuple[str, ...] = ()) -> list[tuple[tuple[str, ...], click.Command]]:
    """Every command below a group, with the words that call it."""
    found: list[tuple[tuple[str, ...], click.Command]] = []
    with click.Context(group) as ctx:
        for name in group.list_commands(ctx):
            command = group.get_command(ctx, name)
            assert command is not None
            here = (*path, name)
            found += leaves(command, here) if isinstance(command, click.Group) else [(here, command)]
    return found


NEEDY = [(words, command) for words, command in leaves(main) if any(p.required for p in command.params)]


@pytest.mark.parametrize(("words", "command"), NEEDY, ids=[" ".join(w) for w, _ in NEEDY])
def test_a_command_that_needs_something_names_it(
    words: tuple[str, ...], command: click.Command, tmp_path: Path
) -> None:
    """Called bare, each command says in one sentence what is missing, ends with 2, and writes nothing."""
    result = CliRunner().invoke(main, ["--home", str(tmp_path / "home"), *words])
    assert result.exit_code == 2, result.output
    assert "Missing" in result.output
    assert not (tmp_path / "home").exists()
