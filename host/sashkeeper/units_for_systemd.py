"""The keeper as a service of one user, started with the computer: units for systemd, and backups.

Only options that a user's own service manager may set are used; those that need root (own users, protected
kernel files) belong to a system unit, which this is not. Memory that is both written and run is not forbidden,
because the library that hashes the passphrase needs it on some machines.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

from .errors import InputError, JobError
from .joining.leaving import remember_folder
from .store import Store

SERVICE, BACKUP, TIMER = "sashkeeper.service", "sashkeeper-backup.service", "sashkeeper-backup.timer"
KEPT = 14  # backups; chosen

_HARD = """NoNewPrivileges=yes
RestrictSUIDSGID=yes
LockPersonality=yes
RestrictRealtime=yes
RestrictNamespaces=yes
RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX
SystemCallArchitectures=native
UMask=0077
"""


def folder() -> Path:
    """Return where a user's own units are. Source: systemd.unit(5), user unit search path."""
    base = os.environ.get("XDG_CONFIG_HOME") or "~/.config"
    return Path(base).expanduser() / "systemd" / "user"


def program() -> str:
    """Return the path of the sashkeeper command of this installation."""
    beside = Path(sys.executable).parent / "sashkeeper"
    found = str(beside) if beside.exists() else shutil.which("sashkeeper")
    if not found:
        raise JobError("The command sashkeeper was not found. Install the package, then run this again.")
    return found


def _quoted(text: str | Path) -> str:
    """Quote one argument. Source: systemd.service(5), command lines: % and $ are doubled."""
    plain = str(text)
    if "\n" in plain or "\r" in plain:
        raise InputError("A path with a line break cannot be used for a service. Nothing was changed.")
    escaped = plain.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{escaped}"'


def texts(home: Path, backups: Path | None) -> dict[str, str]:
    """Return the units by file name. home and backups must be absolute."""
    run = f"{_quoted(program())} --home {_quoted(home)}"
    units = {
        SERVICE: f"""# Made by "sashkeeper service install"; made again by it, so change nothing here.
[Unit]
Description=Sashkeeper keeps the cold frames
# A keeper that keeps failing is tried for ever: nobody may be there to start it.
StartLimitIntervalSec=0

[Service]
ExecStart={run} serve
Restart=always
RestartSec=10
TimeoutStopSec=30
{_HARD}
[Install]
WantedBy=default.target
"""
    }
    if backups is not None:
        units[BACKUP] = f"""[Unit]
Description=Back up what Sashkeeper knows

[Service]
Type=oneshot
ExecStart={run} service backup {_quoted(backups)}
{_HARD}"""
        units[TIMER] = """[Unit]
Description=Back up what Sashkeeper knows, every night

[Timer]
OnCalendar=*-*-* 03:30
RandomizedDelaySec=15min
Persistent=yes

[Install]
WantedBy=timers.target
"""
    return units


def install(home: Path, backups: Path | None) -> list[Path]:
    """Write the units; return their paths. Raises JobError."""
    where = folder()
    written = []
    try:
        where.mkdir(parents=True, exist_ok=True)
        for name, text in texts(home, backups).items():
            part = where / (name + ".part")
            part.write_text(text)
            os.replace(part, where / name)
            written.append(where / name)
    except OSError as fault:
        raise JobError(f"The units in {where} could not be written: {fault.strerror}.") from fault
    return written


def remove() -> list[Path]:
    """Remove the units; return which there were."""
    gone = [folder() / name for name in (SERVICE, BACKUP, TIMER) if (folder() / name).exists()]
    for path in gone:
        path.unlink()
    return gone


def manager(*words: str) -> tuple[int, str]:
    """Ask the user's service manager; return (exit code, what it said). Code 127: there is none."""
    tool = shutil.which("systemctl")
    if tool is None:
        return 127, "this computer has no systemd"
    try:
        done = subprocess.run([tool, "--user", *words], capture_output=True, text=True, timeout=60, check=False)
    except (OSError, subprocess.TimeoutExpired) as fault:
        return 127, str(fault)
    return done.returncode, (done.stdout + done.stderr).strip()


def backup(store: Store, target: Path, now_s: float, kept: int = KEPT) -> tuple[Path, list[Path]]:
    """Write today's backup into a folder and remove all but the newest `kept`; return (file, removed files)."""
    day = datetime.fromtimestamp(now_s, UTC).strftime("%Y-%m-%d")
    path = target / f"sashkeeper-{day}.db"
    fresh = target / f"sashkeeper-{day}.db.fresh"
    try:
        fresh.unlink(missing_ok=True)
        store.backup(fresh)
        os.replace(fresh, path)
        remember_folder(store, target, now_s)
        ours = sorted(p for p in target.iterdir() if re.fullmatch(r"sashkeeper-\d{4}-\d\d-\d\d\.db", p.name))
        old = ours[:-kept]
        for one in old:
            one.unlink()
    except OSError as fault:
        raise JobError(f"The backup in {target} could not be written: {fault.strerror}.") from fault
    return path, old
