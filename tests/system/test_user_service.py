"""The service under a real user manager of systemd, started for this test in a mount namespace of its own."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from sashkeeper import units_for_systemd as units
from tests.conftest import free_port

MANAGER = Path("/usr/lib/systemd/systemd")
JOURNAL = Path("/usr/lib/systemd/systemd-journald")
NEEDED = ("unshare", "nsenter", "systemctl", "journalctl", "mount")

# A manager looks for /run/systemd/system to know that systemd is there; the journal writes below /run.
# Neither may touch the /run of the computer, so both get their own.
SCRIPT = """
for group in {groups}; do echo 0 > "$group/cgroup.procs"; done
exec unshare --mount --propagation private sh -euc '
mount -t tmpfs -o mode=755 none /run
mkdir -p /run/systemd/system /run/systemd/journald.conf.d /run/log/journal
printf "[Journal]\\nAudit=no\\nReadKMsg=no\\nStorage=volatile\\n" > /run/systemd/journald.conf.d/test.conf
{journal} &
exec {manager} --user'
"""


class Manager:
    """A running user manager and what may be asked of it."""

    def __init__(self, process: subprocess.Popen[bytes], environment: dict[str, str]) -> None:
        self.process, self.environment = process, environment

    def run(self, *words: str) -> str:
        """Run a command in the manager's world; it must succeed."""
        inside = ["nsenter", "-t", str(self.process.pid), "-m", *words]
        done = subprocess.run(inside, env=self.environment, capture_output=True, text=True, timeout=90, check=False)
        assert done.returncode == 0, f"{words}: {done.stdout}{done.stderr}"
        return done.stdout

    def fact(self, name: str, unit: str = units.SERVICE) -> str:
        """One property of a unit."""
        return self.run("systemctl", "--user", "show", "--property", name, "--value", unit).strip()

    def log(self) -> str:
        """What the service said."""
        return self.run("journalctl", "-D", "/run/log/journal", "--no-pager", "-t", "sashkeeper")


def wait(until: Callable[[], bool], what: str, wait_s: float = 60.0) -> None:
    """Wait until something holds."""
    end = time.monotonic() + wait_s
    while not until():
        assert time.monotonic() < end, f"waited in vain for {what}"
        time.sleep(0.2)


def own_groups() -> list[Path]:
    """Make control groups for the manager, in each hierarchy that it would use. Raises OSError where it may not."""
    top = Path("/sys/fs/cgroup")
    tops = [path for path in (top / "systemd", top / "unified") if path.is_dir()] or [top]
    made = [path / f"sashkeeper-test-{os.getpid()}" for path in tops]
    for path in made:
        path.mkdir(exist_ok=True)
    return made


def remove(groups: list[Path]) -> None:
    """Take the control groups away again, innermost first."""
    for group in groups:
        for folder in sorted((p for p in group.rglob("*") if p.is_dir()), reverse=True):
            with contextlib.suppress(OSError):
                folder.rmdir()
        with contextlib.suppress(OSError):
            group.rmdir()


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    """A user manager for a home folder of its own; skipped where none can be started."""
    if os.geteuid() != 0 or not MANAGER.exists() or not JOURNAL.exists() or not all(map(shutil.which, NEEDED)):
        pytest.skip("no systemd here, or not root: a user manager cannot be started for a test")
    try:
        groups = own_groups()
    except OSError as fault:
        pytest.skip(f"control groups cannot be made here: {fault}")
    runtime = tmp_path / "run"
    runtime.mkdir(mode=0o700)
    environment = {
        "HOME": str(tmp_path), "USER": "root", "XDG_RUNTIME_DIR": str(runtime), "SYSTEMD_LOG_TARGET": "console",
        "SASHKEEPER_HOME": str(tmp_path / "home"), "LANG": "C.UTF-8",
        "PATH": f"{Path(sys.executable).parent}:/usr/sbin:/usr/bin:/sbin:/bin",
    }  # fmt: skip
    script = SCRIPT.format(groups=" ".join(map(str, groups)), journal=JOURNAL, manager=MANAGER)
    with (tmp_path / "manager.log").open("wb") as log:
        process = subprocess.Popen(["sh", "-euc", script], env=environment, stdout=log, stderr=log,
                                   start_new_session=True)  # fmt: skip
    try:
        wait(lambda: (runtime / "systemd" / "private").exists() or process.poll() is not None, "the manager", 30)
        if process.poll() is not None:
            pytest.skip(f"the user manager does not start here: {(tmp_path / 'manager.log').read_text()[-300:]}")
        yield Manager(process, environment)
    finally:
        stop(process, groups)


def stop(process: subprocess.Popen[bytes], groups: list[Path]) -> None:
    """End the manager, what it started, and the journal beside it; by number, and only what is in our groups."""
    process.terminate()
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(20)
    for group in groups:
        for listed in group.rglob("cgroup.procs"):
            for pid in listed.read_text().split():
                with contextlib.suppress(ProcessLookupError):
                    os.kill(int(pid), 9)
    process.wait(10)
    time.sleep(0.5)  # the kernel empties the groups
    remove(groups)


@pytest.mark.slow
@pytest.mark.system
def test_the_service_is_kept_by_a_real_user_manager(manager: Manager, tmp_path: Path) -> None:
    """`service install` starts it; killed, it is back in ten seconds; its backup runs; stop and remove are clean."""
    home, port = tmp_path / "home", free_port()
    home.mkdir()
    (home / "sashkeeper.toml").write_text(f"[broker]\nport = {port}\n[page]\nport = {free_port()}\n")
    (home / "sashkeeper.toml").chmod(0o600)
    manager.run("sashkeeper", "frames", "add", "north")
    assert "It runs." in manager.run("sashkeeper", "service", "install", "--backups", str(tmp_path / "backups"))
    answers = lambda: "it answers" in manager.run("sashkeeper", "broker", "show")  # noqa: E731
    wait(answers, "the broker")
    kept = lambda: manager.log().count("connected; keeping 1 frames")  # noqa: E731
    wait(lambda: kept() == 1, "the service's own connection")
    first = manager.fact("MainPID")
    status = Path(f"/proc/{first}/status").read_text()
    assert "NoNewPrivs:\t1" in status
    assert "Seccomp:\t2" in status

    began = time.monotonic()
    os.kill(int(first), 9)
    wait(lambda: manager.fact("MainPID") not in ("0", first), "the restart")
    print(f"service: back {time.monotonic() - began:.1f} s after kill -9")
    wait(lambda: kept() == 2, "the connection after the restart")
    assert manager.fact("NRestarts") == "1"

    manager.run("systemctl", "--user", "start", units.BACKUP)
    assert manager.fact("Result", units.BACKUP) == "success"
    assert [path.suffix for path in (tmp_path / "backups").iterdir()] == [".db"]
    assert units.BACKUP in manager.run("systemctl", "--user", "list-timers", "--no-pager")
    assert "state: active" in manager.run("sashkeeper", "service", "status")
    assert kept() == 2

    second = manager.fact("MainPID")
    manager.run("sashkeeper", "service", "remove")
    assert not Path(f"/proc/{second}").exists()
    assert manager.log().rstrip().endswith("sashkeeper: stopped")
    assert not [path for path in units_left(tmp_path) if path.is_file()]


def units_left(home: Path) -> list[Path]:
    """Everything below the units' folder."""
    return list((home / ".config" / "systemd").rglob("*"))
