"""Write pin-maps.md from the board files that the firmware uses.

Run: python hardware/make_pin_maps.py             A test fails when the page is out of date.
"""

from __future__ import annotations

from pathlib import Path

from sash.boards import esp32, pins, rp2

PAGE = Path(__file__).parent / "pin-maps.md"
HEAD = """# Pin maps

Made by `hardware/make_pin_maps.py` from `controller/sash/boards/`. Change the board file, not this page.

Numbers are GPIO numbers of the chip, not positions on a connector: look at the sheet of *your* board. A role can be
moved to another pin in the board's fittings, for example `"pins": {"wind": 16, "rain": 23}`. Two roles on one pin are
refused.

"""


def page() -> str:
    """The whole page."""
    lines = [HEAD + "| role | ESP32 | RP2040 / RP2350 | kind | needed | connect |", "|---|---|---|---|---|---|"]
    first, second = dict(esp32.PINS), dict(rp2.PINS)
    for role, kind, needed, pull, text in pins.ROLES:
        held = {"down": "10 kOhm to ground outside", "up": "pull-up inside the chip", "": ""}[pull]
        words = f"{text}; {held}" if held else text
        lines.append(
            f"| {role} | {first[role]} | {second[role]} | {kind} | {'yes' if needed else 'if you have it'} | {words} |"
        )
    return "\n".join([*lines, *_left_free()]) + "\n"


def _left_free() -> list[str]:
    lines = ["", "## Pins that are left alone", "", "| board | pins | why |", "|---|---|---|"]
    for module, why in (
        (esp32, "start-up mode, flash, serial console"),
        (rp2, "radio, serial console"),
    ):
        lines.append(f"| {module.NAME} | {', '.join(str(pin) for pin in module.FORBIDDEN)} | {why} |")
    return [
        *lines,
        "",
        "The 10 kOhm resistors to ground hold motor and siren off from reset until the firmware has read its state.",
    ]


if __name__ == "__main__":
    PAGE.write_text(page())
    print(PAGE)
