"""What every command is handed: the home folder, its settings, its store."""

from __future__ import annotations

import json
import os
from functools import cached_property
from pathlib import Path
from typing import Any

import click
import platformdirs

from . import config as config_file
from .clock import Clock, SystemClock
from .config import Config
from .errors import InputError
from .store import Store
from .units import temperature

STORE_NAME = "sashkeeper.db"


def default_home() -> Path:
    """Return the home folder used when none is named."""
    return Path(platformdirs.user_data_dir("sashkeeper"))


class App:
    """Lazy holder of what commands need; nothing is opened or made before it is asked for."""

    def __init__(self, home: Path, fahrenheit: bool | None = None, clock: Clock | None = None) -> None:
        self.home = home
        self.clock: Clock = clock or SystemClock()
        self._fahrenheit = fahrenheit
        self._store: Store | None = None

    @cached_property
    def config(self) -> Config:
        """The grower's settings. Raises InputError that names all faults."""
        return config_file.read(self.home)

    def change_config(self, **changes: Any) -> Config:
        """Change settings in the file (see `config.change`) and return the new ones."""
        new = config_file.change(self.home, changes)
        self.__dict__["config"] = new
        return new

    def use_config(self, config: Config) -> None:
        """Use other settings for this call only; the file stays as it is."""
        self.__dict__["config"] = config

    @property
    def fahrenheit(self) -> bool:
        """Whether temperatures are shown in Fahrenheit."""
        if self._fahrenheit is not None:
            return self._fahrenheit
        return self.config.units == "fahrenheit"

    @property
    def store_path(self) -> Path:
        """Where the store file is."""
        return self.home / STORE_NAME

    @property
    def store(self) -> Store:
        """The store, opened (and made) at first use; closed when the command ends."""
        if self._store is None:
            self._store = Store(self.store_path)
        return self._store

    def close(self) -> None:
        """Close what was opened."""
        if self._store is not None:
            self._store.close()
            self._store = None

    def temperature(self, degc: float) -> str:
        """Return a temperature in the grower's unit, ``12.4 C``."""
        return temperature(degc, self.fahrenheit)


pass_app = click.make_pass_decorator(App)

json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON for other programs.")


def print_json(value: Any) -> None:
    """Print a value as indented JSON."""
    click.echo(json.dumps(value, indent=2, ensure_ascii=False, sort_keys=False))


def home_from(given: str | None) -> Path:
    """Return the home folder: the option, else SASHKEEPER_HOME, else the user's data folder."""
    chosen = given or os.environ.get("SASHKEEPER_HOME")
    home = Path(chosen).expanduser() if chosen else default_home()
    if home.exists() and not home.is_dir():
        raise InputError(f"{home} is a file, not a folder. Nothing was changed. Name a folder with --home.")
    return home
