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


def supply(d: Any, y: float) -> None:
    """The board's own power, the one wire that is no GPIO."""
    for at, pin, text in ((y, "5V, VIN or VSYS", "from the converter to 5 V"), (y - 0.9, "GND", "battery's minus")):
        d += elm.Label().at((BOX_W - 0.25, at)).label(pin, halign="right", valign="center", fontsize=11)
        d += elm.Line().at((BOX_W, at)).to((BOX_W + RUN, at))
        words(d, (BOX_W + RUN + 0.2, at), text, "right")


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
    supply(d, 1.6 + 1.5)
    words(d, (BOX_W + 1.0, 0.9), "Join all grounds at one point, at the battery's minus.\n"
          "Optional: ack, lamp, pot, sda, scl, wind, rain.", "right")  # fmt: skip
    return bytes(d.get_imagedata("svg"))


def minus(d: Any, at: tuple[float, float]) -> None:
    """A wire down to the battery's minus."""
    d += elm.Line().at(at).down().length(0.3)
    d += elm.Ground(lead=False)


def box(d: Any, at: tuple[float, float], size: tuple[float, float], name: str, more: str) -> None:
    """A thing that is bought ready made: its lower left corner, width and height, what it is."""
    (x, y), (w, h) = at, size
    d += elm.Rect(corner1=(0, 0), corner2=size).at(at)
    d += elm.Label().at((x + w / 2, y + h / 2 + 0.15)).label(name, fontsize=11)
    d += elm.Label().at((x + w / 2, y + h / 2 - 0.45)).label(more, fontsize=9)


def fused(d: Any, y: float, label: str) -> None:
    """A branch of the plus rail with its fuse, up to x = 3.4."""
    d += elm.Dot().at((0, y))
    d += elm.Line().at((0, y)).to((0.6, y))
    d += elm.Fuse().at((0.6, y)).right().length(2.4).label(label, ofst=0.15)
    d += elm.Line().at((3.0, y)).to((3.4, y))


def power_path() -> bytes:
    """Battery, fuses, hold switch, driver, motor, siren: the wires that can burn or move."""
    d = drawing()
    low, board_y, panel_y = -4.0, 3.4, 6.8
    d += elm.Battery().at((0, low)).up().length(4.0).reverse().label("battery\n12 or 24 V", loc="top")
    d += elm.Line().at((0, 0)).to((0, panel_y))
    d += elm.Rect(corner1=(0, 0), corner2=(3.0, 9.7), ls="--", lw=1).at((0.3, -0.9)).theta(0)
    words(d, (0.3, 9.4), "fuse holders: all within a hand's length\nof the battery's plus pole", "right")
    d += elm.Line().at((0, low)).to((7.4, low))
    d += elm.Dot().at((3.7, low))
    d += elm.Ground(lead=True).at((3.7, low))
    words(d, (4.1, low - 0.7), "one point, the battery's minus: every such sign goes there", "right")

    fused(d, 0.0, "motor fuse")
    d += elm.Switch().at((3.9, 0)).right().length(2.4).label("HOLD, first pole,\nlatching, at the frame", ofst=0.3)
    d += elm.Line().at((3.4, 0)).to((3.9, 0))
    d += elm.Line().at((6.3, 0)).to((7.4, 0))
    box(d, (7.4, low - 0.4), (3.4, 4.8), "motor driver", "H-bridge with its\nown current limit")
    d += elm.Line().at((10.8, -0.6)).right().length(1.6)
    d += elm.Motor().down().length(2.8).label("lid drive\nwith its own end\nswitches, if any", loc="bottom")
    d += elm.Line().left().length(1.6)

    fused(d, board_y, "1 A fuse")
    d += elm.Line().at((3.4, board_y)).to((7.4, board_y))
    box(d, (7.4, board_y - 0.7), (3.4, 1.4), "converter to 5 V", "feeds the board")
    minus(d, (9.1, board_y - 0.7))
    d += elm.Line().at((10.8, board_y)).right().length(0.8)
    words(
        d,
        (11.8, board_y),
        "pin 5V (or VIN, VSYS) of the board;\nstays on while HOLD is pulled,\nand keeps watching",
        "right",
    )
    d += elm.Dot().at((4.6, board_y))
    d += elm.Line().at((4.6, board_y)).down().length(0.7)
    words(d, (4.0, board_y - 1.1), "to siren, lamp,\nand the 100k of pin battery", "right")

    fused(d, panel_y, "panel fuse")
    d += elm.Line().at((3.4, panel_y)).to((7.4, panel_y))
    box(d, (7.4, panel_y - 0.7), (3.4, 1.4), "charge controller", "made for this battery")
    minus(d, (9.1, panel_y - 0.7))
    d += elm.Line().at((10.8, panel_y)).right().length(0.8)
    words(d, (11.8, panel_y), "solar panel", "right")

    siren_path(d, (19.4, -1.0))
    words(d, (0.0, low - 1.9), "The hold switch takes the motor's power away, but not the lid's weight: prop the lid.",
          "right")  # fmt: skip
    return bytes(d.get_imagedata("svg"))


def siren_path(d: Any, at: tuple[float, float]) -> None:
    """How siren and lamp hang on their transistor: the pin opens it, the resistor keeps it shut while nobody does."""
    x, y = at
    d += elm.Line().at((x, y + 2.4)).down().length(0.4)
    words(d, (x - 1.6, y + 2.8), "from the 1 A fuse", "right")
    d += elm.ResistorIEC().at((x, y + 2.0)).down().length(1.6).label("siren (or lamp)", loc="bottom", fontsize=9)
    gate = elm.NFet().anchor("drain").at((x, y + 0.4)).theta(0).reverse()
    d += gate
    minus(d, gate.absanchors["source"])
    gx, gy = gate.absanchors["gate"]
    d += elm.Line().at((gx, gy)).left().length(1.4)
    d += elm.Dot().at((gx - 0.6, gy))
    d += elm.Resistor().at((gx - 0.6, gy)).down().length(1.3).label("10k", fontsize=9)
    d += elm.Ground(lead=False)
    words(d, (gx - 1.6, gy), "pin siren\n(or lamp)", "left")


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
