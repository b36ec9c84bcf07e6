"""Alarms: what needs hands, told once. The service talks to `AlarmDesk` only."""

from .desk import AlarmDesk, Shown
from .links import LinkRefused

__all__ = ["AlarmDesk", "LinkRefused", "Shown"]
