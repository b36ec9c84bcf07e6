"""Hardware pages and drawings say what board files and sums say."""

from __future__ import annotations

import importlib.util
import re
import sys
import xml.etree.ElementTree as ET
from pathlib import Path
from types import ModuleType

import pytest

from sashkeeper.sizing import cable, loads

pytest.importorskip("schemdraw")
HARDWARE = Path(__file__).resolve().parents[2] / "hardware"
PAGES = sorted(HARDWARE.glob("*.md"))
DRAWINGS = HARDWARE / "drawings"


def script(name: str) -> ModuleType:
    """Load a script of the hardware folder."""
    spec = importlib.util.spec_from_file_location(f"hardware_{name}", HARDWARE / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def words_of(svg: bytes) -> str:
    """All text of a drawing."""
    return " ".join("".join(node.itertext()) for node in ET.fromstring(svg).iter() if node.tag.endswith("text"))


def test_pin_maps_are_those_of_the_board_files() -> None:
    """The page is exactly what the board files make of it."""
    made = script("make_pin_maps").page()
    assert (HARDWARE / "pin-maps.md").read_text() == made, "Run: python hardware/make_pin_maps.py"


def test_wiring_drawings_are_those_of_the_board_files() -> None:
    """Each wiring drawing is exactly what the board files make of it."""
    for name, data in script("draw_wiring").drawings().items():
        assert (DRAWINGS / name).read_bytes() == data, "Run: python hardware/draw_wiring.py"


def test_placement_drawing_is_up_to_date() -> None:
    """The section is exactly what its program draws."""
    assert (DRAWINGS / "placement.svg").read_bytes() == script("draw_placement").placement()


@pytest.mark.parametrize("family", ["esp32", "rp2"])
def test_every_role_and_pin_is_in_the_drawing(family: str) -> None:
    """Every role of the board file is drawn with its pin number."""
    draw = script("draw_wiring")
    text = words_of((DRAWINGS / f"wiring-{family}.svg").read_bytes())
    for role, pin in draw.FAMILIES[family][0].PINS:
        assert re.search(rf"GPIO {pin} {role}\b", text), role


@pytest.mark.parametrize("family", ["esp32", "rp2"])
def test_resistors_of_the_parts_list_are_those_of_the_drawing(family: str) -> None:
    """As many of each value are on the list as are drawn."""
    drawn = words_of((DRAWINGS / f"wiring-{family}.svg").read_bytes()).split()
    row = re.search(r"^\| resistors \| (\d+) \|.*\((six)\)", (HARDWARE / "parts.md").read_text(), re.MULTILINE)
    assert row is not None
    assert (drawn.count("4.7k"), drawn.count("10k"), drawn.count("100k")) == (1, 6, 1)
    assert int(row[1]) == 8


def test_the_power_drawing_has_what_keeps_people_safe() -> None:
    """Three fuses near the battery, HOLD between motor fuse and driver, the driver's own limit, the advice to prop."""
    text = words_of((DRAWINGS / "power.svg").read_bytes())
    for said in ("motor fuse", "1 A fuse", "panel fuse", "within a hand's length", "HOLD, first pole",
                 "own current limit", "not the lid's weight", "battery's minus"):  # fmt: skip
        assert said in text, said


def test_a_new_role_cannot_be_forgotten_in_the_drawing(monkeypatch: pytest.MonkeyPatch) -> None:
    """A role that is drawn nowhere stops the drawing program."""
    draw = script("draw_wiring")
    monkeypatch.setattr(draw.pins, "ROLES", (*draw.pins.ROLES, ("horn", "out", 0, "down", "a horn")))
    with pytest.raises(SystemExit, match="drawn nowhere"):
        draw.wiring("rp2")


def test_drawings_are_black_on_white() -> None:
    """Nothing in a drawing needs a colour printer."""
    for path in DRAWINGS.glob("*.svg"):
        found = set(re.findall(r"(?:stroke|fill):\s*([^;\"']+)", path.read_text()))
        assert found <= {"black", "none", "white"}, path.name


def test_fuse_table_is_that_of_the_sizing() -> None:
    """The wiring page prints the same wire and fuse pairs that the sizing uses, with fitting gauge numbers."""
    rows = re.findall(
        r"^\| ([\d.]+) mm2 \| (\d+) AWG \| ([\d.]+) A", (HARDWARE / "wiring.md").read_text(), re.MULTILINE
    )
    assert [(float(area), float(fuse)) for area, _, fuse in rows] == list(cable.SECTIONS)
    for area, gauge, _ in rows:
        assert cable.awg_mm2(int(gauge)) == pytest.approx(float(area), rel=0.15)


def test_figures_of_the_mechanics_page() -> None:
    """The example column is what the formulas give for the example lid."""
    text = (HARDWARE / "mechanics.md").read_text()
    mass = loads.lid_mass_kg(1.2, 1.2, 1.3)
    moment = loads.weight_moment_nm(mass, 1.2, 0)
    assert f"{mass:.2f} kg" in text
    assert f"{moment:.1f} N m level; {moment / 1.2:.0f} N at the front edge" in text
    for speed in (10, 25):
        q = loads.wind_pressure_pa(speed)
        assert f"{speed} m/s: {q:.0f} Pa, {loads.pressure_moment_nm(q, 1.2, 1.2):.0f} N m" in text
    assert f"1 kPa: {loads.snow_moment_nm(1, 1.2, 1.2, 0):.0f} N m" in text
    assert f"1 kPa: {loads.snow_depth_m(1) * 100:.0f} cm" in text


def test_cautions_hold_every_safety_row_once() -> None:
    """SAF-1 to SAF-12 are all there, each with its words."""
    rows = re.findall(r"^\| (SAF-\d+) \| (.{30,}?) \|", (HARDWARE / "cautions.md").read_text(), re.MULTILINE)
    assert [row[0] for row in rows] == [f"SAF-{n}" for n in range(1, 13)]


@pytest.mark.parametrize(
    "said",
    ["24 V d.c.", "No mains", "Glazing breaks", "struts store energy", "Children, pets", "No certification",
     "Local\nbuilding and electrical rules", "licensed electrician", "below 0 degC"],
)  # fmt: skip
def test_cautions_say_what_can_hurt(said: str) -> None:
    """Every hazard of the list is named, and local rules come first."""
    assert said in (HARDWARE / "cautions.md").read_text()


@pytest.mark.parametrize("name", ["wiring.md", "mechanics.md", "placement.md", "bench-check.md"])
def test_pages_that_guide_hands_begin_with_a_caution(name: str) -> None:
    """The caution stands where the hand meets the thing, before the first instruction."""
    text = (HARDWARE / name).read_text()
    assert text.index("**Caution.**") < 200


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.name)
def test_links_lead_somewhere(page: Path) -> None:
    """Every link to a file leads to one."""
    for target in re.findall(r"\]\(([^)#]+?)\)", page.read_text()):
        if "://" not in target:
            assert (page.parent / target).exists(), target


def test_bench_page_lists_the_steps_of_the_program() -> None:
    """The page has the program's steps, in its order, with its limits."""
    from sashkeeper.board import bench

    page = (HARDWARE / "bench-check.md").read_text()
    rows = re.findall(r"^\| ([a-z ]+) \| .* \| (yes|no) \|$", page, re.MULTILINE)
    assert [row[0].replace(" ", "_") for row in rows] == [_page_name(step.__name__) for step, _ in bench.STEPS]
    assert [row[0] for row in rows if row[1] == "no"] == ["battery under load", "radio"]
    for words in (
        f"by {bench.WARM_K:g} K within {bench.WARM_S} s", f"within {bench.TRAVEL_SHARE * 100:.0f} %",
        f"at least {bench.SAG_SHARE * 100:.0f} % of the rest", f"within {bench.RADIO_S} s", "11.5 to 14.7 V",
    ):  # fmt: skip
        assert words in page, words
    assert bench.RANGE_MV[12] == (11_500, 14_700)


def _page_name(function: str) -> str:
    return {"ends_at_rest": "end_switches", "direction": "motor_direction", "sag": "battery_under_load"}.get(
        function, function
    )


def test_parts_name_functions_and_ratings_only() -> None:
    """No web shop, no trade mark sign, no price in the parts list."""
    text = (HARDWARE / "parts.md").read_text()
    assert not re.search(r"https?://|®|™|[$€£]\s?\d", text)
