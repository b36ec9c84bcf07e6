"""The season report as PDF: printed from the page by a browser where there is one, else drawn plainly."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from sashkeeper.errors import JobError
from sashkeeper.report import pictures as report_pictures
from sashkeeper.season.setpoint_words import in_unit

if TYPE_CHECKING:
    from sashkeeper.report import SeasonReport

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")
PATIENCE_S = 90


def browser() -> str | None:
    """Return the path of a browser that can print, or None."""
    return next((found for name in BROWSERS if (found := shutil.which(name))), None)


def write(path: Path, html: str, season: SeasonReport, fahrenheit: bool = False, program: str | None = None) -> str:
    """Write the PDF; return how it was made, in words. Raises JobError."""
    if program is not None and _print(path, html, program):
        return "printed from the page"
    try:
        _draw(path, season, fahrenheit)
    except OSError as fault:
        raise JobError(f"{path} cannot be written: {fault.strerror}. Give another name.") from fault
    return "drawn plainly, since no browser was found to print the page"


def _print(path: Path, html: str, program: str) -> bool:
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        page, out = Path(folder) / "page.html", Path(folder) / "page.pdf"
        page.write_text(html, encoding="utf-8")
        orders = [
            program, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
            f"--user-data-dir={folder}/profile", f"--print-to-pdf={out}", page.as_uri(),
        ]  # fmt: skip
        try:
            subprocess.run(orders, check=True, timeout=PATIENCE_S, capture_output=True)
        except (OSError, subprocess.SubprocessError):
            return False
        if not out.is_file():
            return False
        try:
            shutil.copyfile(out, path)
        except OSError as fault:
            raise JobError(f"{path} cannot be written: {fault.strerror}. Give another name.") from fault
    return True


def _draw(path: Path, season: SeasonReport, fahrenheit: bool) -> None:
    import textwrap

    from matplotlib.backends.backend_pdf import PdfPages
    from matplotlib.figure import Figure

    with PdfPages(path) as book:
        text = Figure(figsize=(8.27, 11.69))
        lines = [f"{season.name}: {season.first} to {season.last}", ""]
        coldest, warmest = min(season.days, key=lambda d: d.low), max(season.days, key=lambda d: d.high)
        lines += [
            f"Coldest {coldest.low:.1f} °C on {coldest.day}, warmest {warmest.high:.1f} °C on {warmest.day}.",
            f"Leaves could be cut on {season.picking_days} of {season.leaf_days} days.",
            f"Lid open {season.total('open_h'):.0f} h, {season.total('moves'):.0f} moves; {len(season.alarms)} alarms.",
            "",
        ]
        lines += [
            f"{c.crop.name}: frost {c.frost:.1f} degree-hours ({c.frost_words}), heat {c.heat:.1f}, "
            f"growing light {c.growing_h:.0f} h"
            for c in season.crops
        ]
        lines += ["", "What to change next year:", *season.advice]
        wrapped = "\n".join("\n".join(textwrap.wrap(in_unit(line, fahrenheit), 88)) for line in lines)
        text.text(0.09, 0.94, wrapped, va="top", fontsize=10, linespacing=1.5, color=report_pictures.INK)
        book.savefig(text)
        for figure in report_pictures.pictures(season, fahrenheit).values():
            book.savefig(figure)
