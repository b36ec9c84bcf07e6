"""Ways to run a frame: the firmware in this process, or as a process of its own. See the two files."""

from framesim.runner_base import Command, Hooks, Record, Runner, Turn
from framesim.runner_in_process import InProcess, MemoryStorage
from framesim.runner_lockstep import BarrierTimeout, Lockstep

__all__ = [
    "BarrierTimeout",
    "Command",
    "Hooks",
    "InProcess",
    "Lockstep",
    "MemoryStorage",
    "Record",
    "Runner",
    "Turn",
]
