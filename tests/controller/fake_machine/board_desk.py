"""A real board on the desk: the chip's modules made up, time a number. For MicroPython and CPython.

Case files are run as: FILE FAMILY CASE FOLDER, with sash and this folder on the path. Nothing sleeps.
"""

import asyncio
import sys

import machine
import onewire

import sash.clock

now = [1000]  # ms


def ticks():
    """Stand in for the chip's counter."""
    return now[0] & sash.clock.TICKS_MASK


async def sleep_ms(ms):
    """Let make-believe time pass."""
    now[0] += ms
    for call in list(LATER):
        if call[0] <= now[0]:
            LATER.remove(call)
            call[1]()


LATER = []  # (ms, function) that happen while somebody sleeps
sash.clock.ticks_ms = ticks
asyncio.sleep_ms = sleep_ms
onewire.state["now_ms"] = ticks

from sash.reading import Actions  # noqa: E402

AIR, SOIL = "28c652b604000023", "283ce7b50400008b"  # Source: ROM codes printed in a public driver source.
# 25.0625 and 10.125 degC. Source: data table of the 12-bit 1-Wire thermometer; checksums worked out.
WARM, COOL = bytes.fromhex("91014b467fff0f1025"), bytes.fromhex("a2004b467fff0e10e5")


def family():
    """Return the module under test."""
    if sys.argv[1] == "esp32":
        from sash.boards import esp32 as module
    else:
        from sash.boards import rp2 as module
    return module


def make(**more):
    """Return (board, pins by role): hold released, both ends not made, two probes."""
    machine.forget()
    module = family()
    numbers = dict(module.PINS)
    for role in ("at_shut", "at_open", "hold"):
        machine.levels[numbers[role]] = 0
    machine.levels[numbers["ack"]] = 1
    machine.mv[numbers["battery"]] = 1150  # 12.65 V behind 11:1
    onewire.devices.clear()
    onewire.state.update({"stuck_low": 0, "raises": 0})
    onewire.devices.update({AIR: WARM, SOIL: COOL})
    fittings = {"frame": "north", "probes": {"air": AIR, "soil": SOIL}}
    fittings.update(more)
    return module.Board(fittings, folder=sys.argv[3]), numbers


def actions(motor, duty=1000, siren=0, lamp=0):
    """Return Actions."""
    made = Actions()
    made.motor, made.duty_permille, made.siren, made.lamp = motor, duty, siren, lamp
    return made


def refusal(function, *arguments):
    """Return the sentence of the ValueError that the call raises, "" when it raises none."""
    try:
        function(*arguments)
    except ValueError as error:
        return str(error)
    return ""


def wait(board, ms):
    """Run the board's wait in make-believe time."""
    return asyncio.run(board.wait(ms))


def main(cases):
    """Run the case that the command line names; print "ok" at its end."""
    cases[sys.argv[2]]()
    print("ok")
