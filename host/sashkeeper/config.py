"""What the grower has set: place, units, broker, ways to the phone.

One file, ``sashkeeper.toml`` in the home folder. All of it is optional: with
no file at all everything works on this computer alone. All faults of a file
are reported at once, each with its place in the file.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal
from zoneinfo import ZoneInfo

import tomlkit
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from .errors import InputError, JobError

FILE_NAME = "sashkeeper.toml"
POLAR_DEG = 66.0  # beyond, there are days without a sunrise


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class Place(_Table):
    """Where the frames stand. Sun height, day length and local time follow from it."""

    name: str = ""
    lat_deg: float | None = Field(None, ge=-90.0, le=90.0)
    lon_deg: float | None = Field(None, ge=-180.0, le=180.0)
    elevation_m: float = Field(0.0, ge=-430.0, le=5500.0)
    timezone: str = "UTC"
    # Points and pieces of what hides the sun; `skyline.py` checks them.
    skyline: tuple[Any, ...] = Field((), strict=False)
    obstacles: tuple[dict[str, Any], ...] = Field((), strict=False)

    @field_validator("lat_deg")
    @classmethod
    def _no_polar_night(cls, lat: float | None) -> float | None:
        if lat is not None and abs(lat) > POLAR_DEG:
            raise ValueError(
                f"at {lat:g}° the sun does not rise for weeks in midwinter (polar night), and no season can be worked "
                f"out there: give a latitude from -{POLAR_DEG:g} to {POLAR_DEG:g}"
            )
        return lat

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, name: str) -> str:
        try:
            ZoneInfo(name)
        except (KeyError, ValueError, OSError):
            raise ValueError(
                f'"{name}" is not a time zone; write it like "Europe/Berlin" or "America/Denver"'
            ) from None
        return name


class Broker(_Table):
    """The message broker between frames and host.

    kind: "embedded" = `sashkeeper serve` brings its own; "external" = one that runs already.
    listen: address on which the embedded one listens; 127.0.0.1 reaches this computer only,
    0.0.0.0 everything on the local network. cert_file and key_file: with them the embedded one speaks
    TLS only; ca_file: what the host checks a broker's certificate against. Their paths may begin at the home
    folder. plain: the grower's own word that messages may cross the network without TLS.
    """

    kind: Literal["embedded", "external"] = "embedded"
    listen: str = "127.0.0.1"
    host: str = "127.0.0.1"
    port: int = Field(1883, ge=1, le=65535)
    user: str = ""
    password: str = Field("", repr=False)
    tls: bool = False
    ca_file: str = ""
    cert_file: str = ""
    key_file: str = ""
    plain: bool = False


class Channel(_Table):
    """One way to a person: a name to show and a notification URL (which holds secrets and is never shown).

    level: "all" or "urgent". second: only used when nobody has acknowledged in time.
    """

    name: str = Field(min_length=1, max_length=40)
    url: str = Field(min_length=3, repr=False)
    level: Literal["all", "urgent"] = "all"
    second: bool = False


class Influx(_Table):
    """A time-series server that readings are copied to; empty url = none."""

    url: str = ""
    token: str = Field("", repr=False)
    org: str = "garden"
    bucket: str = "frames"


class Config(_Table):
    """Everything in ``sashkeeper.toml``."""

    units: Literal["celsius", "fahrenheit"] = "celsius"
    place: Place = Place()
    broker: Broker = Broker()
    channels: tuple[Channel, ...] = Field((), strict=False)
    influx: Influx = Influx()
    # The alarm engine checks its own table; here it only has to be a table.
    alarms: dict[str, Any] = Field(default_factory=dict)
    # The same holds for the season, which `place.py` checks.
    season: dict[str, Any] = Field(default_factory=dict)
    # And for the page in the browser, which `page/settings.py` checks.
    page: dict[str, Any] = Field(default_factory=dict)


_WORDS = {
    "extra_forbidden": "is not a setting we know",
    "missing": "is missing",
}


def _say(fault: Mapping[str, Any]) -> str:
    where = ".".join(str(p + 1) if isinstance(p, int) else str(p) for p in fault["loc"]) or "the file"
    if fault["type"] in _WORDS:
        return f"{where} {_WORDS[fault['type']]}"
    if fault["type"] == "value_error":
        return f"{where}: {fault['ctx']['error']}"
    secret = where.rsplit(".", 1)[-1] in ("url", "token", "password")
    given = "" if secret else f" (it is {fault['input']!r})"
    return f"{where}: {str(fault['msg']).replace('Input should', 'should')}{given}"


def check(data: Mapping[str, Any], where: str) -> Config:
    """Turn a table into a Config. Raises InputError that names every fault."""
    try:
        return Config.model_validate(data)
    except ValidationError as error:
        faults = error.errors()
        head = f"{where} has a fault" if len(faults) == 1 else f"{where} has {len(faults)} faults"
        raise InputError(f"{head}: {'; '.join(_say(f) for f in faults)}. Nothing was changed.") from None


def read(home: Path) -> Config:
    """Return the settings of a home folder; defaults when there is no file."""
    path = home / FILE_NAME
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return Config()
    except (OSError, UnicodeDecodeError) as fault:
        raise InputError(f"{path} cannot be read: {fault}. Nothing was changed.") from fault
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise InputError(f"{path} is not proper TOML: {fault}. Nothing was changed.") from fault
    return check(data, str(path))


def change(home: Path, changes: Mapping[str, Any]) -> Config:
    """Change settings in the file, keeping the grower's comments; tables are merged, None removes a key.

    The new file is checked first and takes the place of the old one in one step.
    """
    read(home)
    path = home / FILE_NAME
    document = tomlkit.parse(path.read_text(encoding="utf-8")) if path.exists() else tomlkit.document()
    _merge(document, changes)
    text = tomlkit.dumps(document)
    config = check(tomllib.loads(text), str(path))
    part = path.with_name(path.name + ".part")
    try:
        home.mkdir(parents=True, exist_ok=True)
        with os.fdopen(os.open(part, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, 0o600), "w", encoding="utf-8") as out:
            out.write(text)
            out.flush()
            os.fsync(out.fileno())
        os.replace(part, path)
    except OSError as fault:
        part.unlink(missing_ok=True)
        raise JobError(f"{path} cannot be written: {fault.strerror}. Nothing was changed.") from fault
    return config


def _merge(table: Any, changes: Mapping[str, Any]) -> None:
    for key, value in changes.items():
        if value is None:
            table.pop(key, None)
        elif isinstance(value, Mapping):
            if key not in table:
                table[key] = tomlkit.table()
            _merge(table[key], value)
        else:
            table[key] = value
