"""Whole households in virtual time: simulated frames, the real host, and messages between them.

The demo and the system tests use it; a winter passes in seconds, and nothing in it is a stand-in for the
host: store, service, alarm desk and delivery are the ones that ``serve`` runs.
"""

from .household import Household
from .rehearse import Rehearsal
from .wire import BrokerWire, DirectWire, Wire

__all__ = ["BrokerWire", "DirectWire", "Household", "Rehearsal", "Wire"]
