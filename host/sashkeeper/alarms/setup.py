"""One way to build the alarm desk from a home folder, used by the service and the command line alike."""

from __future__ import annotations

from pathlib import Path

from ..clock import Clock
from ..config import Config
from ..notify import Notifier
from ..store import Store
from . import catalogue, rules
from .around import StoreAround
from .desk import AlarmDesk


def build(
    store: Store,
    config: Config,
    clock: Clock,
    home: Path | None = None,
    notifier: Notifier | None = None,
    fahrenheit: bool | None = None,
) -> AlarmDesk:
    """Return a desk with the default catalogue. Raises InputError for a faulty [alarms] table."""
    return AlarmDesk(
        store,
        catalogue.default(),
        notifier or Notifier(store, config.channels, clock),
        clock,
        around=StoreAround(store, config, home),
        wishes=rules.read(config.alarms),
        zone=config.place.timezone,
        fahrenheit=config.units == "fahrenheit" if fahrenheit is None else fahrenheit,
    )
