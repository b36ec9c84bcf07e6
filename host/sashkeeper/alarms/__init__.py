"""Alarms: what needs hands, told once. The service talks to `AlarmDesk` only."""

from .desk import AlarmDesk, Shown
from .links import LinkRefused
from .setup import build

__all__ = ["AlarmDesk", "LinkRefused", "Shown", "build"]
