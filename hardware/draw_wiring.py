"""Draw the wiring from the same pin tables that the firmware uses.

Run: python hardware/draw_wiring.py [FOLDER]      writes one SVG a board family, and one of the power path.
Black on white, text kept as text, the same bytes every time.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import schemdraw
import schemdraw.elements as elm

from sash.boards import esp32, pins, rp2

FOLDER = Path(__file__).parent / "drawings"
FAMILIES = {"esp32": (esp32, "ESP32 board"), "rp2": (rp2, "RP2040 / RP2350 board with radio")}
LEFT = ("probe_bus", "at_shut", "at_open", "hold", "ack", "wind", "rain", "sda", "scl")
RIGHT = ("motor_enable", "motor_open", "motor_shut", "motor_current", "battery", "siren", "lamp", "pot")
PITCH = 2.3
RUN = 1.6  # length of the wire between board and part
BOX_W = 5.6

schemdraw.use("svg")
schemdraw.svgconfig.text = "text"


def drawing() -> Any:
    """An empty drawing in our style."""
    made = schemdraw.Drawing(show=False)
    made.config(unit=1.6, fontsize=11, lw=1.4, font="sans-serif", margin=1.6)
    return made


def board(d: Any, name: str, table: dict[str, int]) -> dict[str, tuple[float, float]]:
    """Draw the board as a box; return role -> (x, y) of its pin."""
    height = PITCH * len(LEFT) + 1.4
    d += elm.Rect(corner1=(0, 0), corner2=(BOX_W, height), at=(0, 0)).label(name, loc="top", fontsize=14)
    where = {}
    for side, roles in (("left", LEFT), ("right", RIGHT)):
        x = 0.0 if side == "left" else BOX_W
        for row, role in enumerate(roles):
            y = height - 1.4 - row * PITCH
            where[role] = (x, y)
            inward = 0.25 if side == "left" else -0.25
            align = ("left", "center") if side == "left" else ("right", "center")
            d += (
                elm.Label()
                .at((x + inward, y))
                .label(f"GPIO {table[role]}", halign=align[0], valign="center", fontsize=11)
            )
            d += elm.Label().at((x + inward, y - 0.45)).label(role, halign=align[0], valign="center", fontsize=9)
    return where


def words(d: Any, at: tuple[float, float], text: str, side: str) -> None:
    """Write beside a part, away from the board."""
    d += elm.Label().at(at).label(text, halign="right" if side == "left" else "left", valign="center", fontsize=10)


def to_ground(d: Any, at: tuple[float, float], part: Any) -> None:
    """Hang a part from a point, ground at its other end."""
    d += elm.Dot().at(at)
    d += part.at(at).down().length(1.0)
    d += elm.Ground(lead=False)


def left_part(d: Any, role: str, at: tuple[float, float]) -> None:
    """What hangs on a pin of the left side."""
    x, y = at
    end = (x - RUN, y)
    d += elm.Line().at(at).to(end)
    if role == "probe_bus":
        d += elm.Dot().at(end)
        d += elm.Resistor().at(end).up().length(1.0).label("4.7k", loc="bottom", fontsize=9)
        d += elm.Vdd().label("3.3 V", fontsize=9)
        d += elm.Line().at(end).to((x - RUN - 1.2, y))
        words(d, (x - RUN - 1.4, y), "data of all probes (three wires\neach: 3.3 V, data, ground)", "left")
    elif role in ("at_shut", "at_open", "hold", "ack", "wind"):
        closed = role in ("at_shut", "at_open", "hold")
        d += elm.Button(nc=closed).at(end).left().length(1.3)
        d += elm.Line().left().length(0.3)
        d += elm.Ground(lead=True)
        words(d, (x - RUN - 2.4, y + 0.05), _contact_words(role), "left")
    else:
        d += elm.Line().at(end).to((x - RUN - 1.2, y))
        words(d, (x - RUN - 1.4, y), {
            "rain": "rain sensor, low = wet",
            "sda": "data\nlight and humidity sensor, 3.3 V",
            "scl": "clock\nlight and humidity sensor, 3.3 V",
        }[role], "left")  # fmt: skip


def _contact_words(role: str) -> str:
    return {
        "at_shut": "end switch SHUT, normally closed,\nopens when the lid is shut",
        "at_open": "end switch OPEN, normally closed,\nopens when the lid is open",
        "hold": "HOLD switch, second pole:\nclosed = the lid may move",
        "ack": "silence button",
        "wind": "wind counter, reed contact",
    }[role]


def right_part(d: Any, role: str, at: tuple[float, float]) -> None:
    """What hangs on a pin of the right side."""
    x, y = at
    end = (x + RUN, y)
    d += elm.Line().at(at).to(end)
    if role in ("motor_enable", "motor_open", "motor_shut"):
        to_ground(d, (x + 1.2, y), elm.Resistor().label("10k", loc="top", fontsize=9))
        name = {"motor_enable": "enable", "motor_open": "input 1 (open)", "motor_shut": "input 2 (shut)"}[role]
        words(d, (end[0] + 0.2, y), f"motor driver, {name}", "right")
    elif role == "motor_current":
        words(d, (end[0] + 0.2, y), "motor driver, current output", "right")
    elif role == "battery":
        to_ground(d, (x + 1.2, y), elm.Resistor().label("10k", loc="top", fontsize=9))
        d += elm.Resistor().at(end).right().length(1.4).label("100k", fontsize=9)
        words(d, (end[0] + 1.6, y), "battery +, behind\nthe 1 A fuse", "right")
    elif role in ("siren", "lamp"):
        to_ground(d, (x + 1.2, y), elm.Resistor().label("10k", loc="top", fontsize=9))
        words(d, (end[0] + 0.2, y), f"switch (transistor) of the {role}", "right")
    else:
        words(d, (end[0] + 0.2, y), "hinge potentiometer, middle\n(ends: 3.3 V and ground)", "right")


def wiring(family: str) -> bytes:
    """The signal wiring of one family as SVG."""
    module, name = FAMILIES[family]
    table = dict(module.PINS)
    known = {role[0] for role in pins.ROLES}
    if set(LEFT) | set(RIGHT) != known or set(table) != known:
        raise SystemExit(
            "draw_wiring.py: a role is drawn nowhere, or drawn but unknown. Bring LEFT and RIGHT up to date."
        )
    d = drawing()
    where = board(d, name, table)
    for role in LEFT:
        left_part(d, role, where[role])
    for role in RIGHT:
        right_part(d, role, where[role])
    words(d, (BOX_W + 1.0, 1.6), "Join all grounds at one point, at the battery's minus.\n"
          "Optional: ack, lamp, pot, sda, scl, wind, rain.", "right")  # fmt: skip
    return bytes(d.get_imagedata("svg"))


def power_path() -> bytes:
    """Battery, fuses, hold switch, driver, motor: the wires that can burn or move."""
    d = drawing()
    y, low = 0.0, -4.0
    battery = elm.Battery().at((0, low)).up().length(4.0).reverse().label("12 V battery", loc="top")
    d += battery
    d += elm.Line().at((0, y)).to((0.3, y))
    d += elm.Fuse().at((0.3, y)).right().length(2.4).label("motor fuse\nnear the battery", ofst=0.15)
    d += elm.Line().right().length(0.9)
    d += elm.Switch().right().length(2.4).label("HOLD switch, first pole,\nlatching, at the frame", ofst=0.3)
    d += elm.Line().right().length(1.4)
    d += elm.Rect(corner1=(0, 0), corner2=(3.4, 4.8)).at((7.4, low - 0.4))
    d += elm.Label().at((9.1, low + 2.9)).label("motor driver", fontsize=12)
    d += elm.Label().at((9.1, low + 2.3)).label("(H-bridge with its\nown current limit)", fontsize=9)
    d += elm.Line().at((0, low)).to((7.4, low))
    d += elm.Dot().at((3.7, low))
    d += elm.Ground(lead=True).at((3.7, low))
    d += elm.Line().at((10.8, y - 0.6)).right().length(1.6)
    d += elm.Motor().down().length(2.8).label("lid drive\nwith its own end\nswitches, if any", loc="bottom")
    d += elm.Line().left().length(1.6)
    d += elm.Dot().at((1.0, 3.2))
    d += elm.Line().at((0, y)).to((0, 3.2))
    d += elm.Dot().at((0, y))
    d += elm.Line().at((0, 3.2)).to((1.0, 3.2))
    d += elm.Fuse().at((1.0, 3.2)).right().length(2.2).label("1 A fuse")
    d += elm.Line().right().length(0.8)
    d += elm.Rect(corner1=(0, 0), corner2=(3.4, 1.4)).at((4.0, 2.5))
    d += elm.Label().at((5.7, 3.4)).label("converter to 5 V", fontsize=11)
    d += elm.Label().at((5.7, 2.9)).label("feeds the board", fontsize=9)
    d += elm.Line().at((7.4, 3.2)).right().length(1.2)
    words(d, (8.8, 3.2), "board, probes: stay on while\nHOLD is pulled, and keep watching", "right")
    d += elm.Line().at((1.0, 3.2)).up().length(1.4)
    words(d, (1.0, 5.0), "charge controller and panel,\nwith its own fuse", "right")
    words(d, (0.0, low - 1.4), "The hold switch takes the motor's power away, but not the lid's weight: prop the lid.",
          "right")  # fmt: skip
    return bytes(d.get_imagedata("svg"))


def drawings() -> dict[str, bytes]:
    """File name -> SVG of everything drawn here."""
    made = {f"wiring-{family}.svg": wiring(family) for family in FAMILIES}
    made["power.svg"] = power_path()
    return made


def main() -> None:
    """Write all drawings."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    for name, data in drawings().items():
        (folder / name).write_bytes(data)
        print(folder / name)


if __name__ == "__main__":
    main()
