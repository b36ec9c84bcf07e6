"""The season report as one page of HTML that asks for nothing from outside: style and pictures are in it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime
from html import escape
from typing import TYPE_CHECKING

from sashkeeper.report import pictures as report_pictures
from sashkeeper.season.setpoint_words import in_unit, word
from sashkeeper.units import span, temperature

if TYPE_CHECKING:
    from sashkeeper.report import CropSeason, Day, SeasonReport

STYLE = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { margin: 0; background: #F4F3EE; color: #33413A; font: 16px/1.55 system-ui, "DejaVu Sans", sans-serif; }
main { max-width: 60rem; margin: 0 auto; padding: 2.5rem 1.25rem 3rem; }
header { border-bottom: 3px solid #2F7D5B; padding-bottom: 1rem; margin-bottom: 1.5rem; }
h1 { font: 600 2rem/1.2 Georgia, "DejaVu Serif", serif; margin: 0; color: #21503B; }
h2 { font: 600 1.25rem/1.3 Georgia, "DejaVu Serif", serif; margin: 2.2rem 0 .6rem; color: #21503B; }
header p, .quiet { color: #6B776F; margin: .25rem 0 0; }
.quiet { font-size: .88rem; }
.tiles { display: grid; grid-template-columns: repeat(auto-fit, minmax(8.4rem, 1fr)); gap: .75rem; }
.tiles { padding: 0; margin: 0; }
.tiles li { list-style: none; background: #fff; border-radius: .5rem; padding: .8rem 1rem; }
.tiles b { display: block; font: 600 1.45rem/1.25 Georgia, "DejaVu Serif", serif; color: #21503B; }
.tiles span { font-size: .85rem; color: #6B776F; }
figure { margin: 0; background: #fff; border-radius: .5rem; padding: .75rem; }
figure svg { width: 100%; height: auto; display: block; }
table { width: 100%; border-collapse: collapse; background: #fff; border-radius: .5rem; font-size: .93rem; }
th, td { text-align: left; padding: .5rem .75rem; vertical-align: top; }
th { font-weight: 600; color: #6B776F; font-size: .82rem; border-bottom: 1px solid #E1E5E1; }
tr + tr td { border-top: 1px solid #EEF0ED; }
td:first-child { white-space: nowrap; }
.n { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
.wide { overflow-x: auto; }
.next { background: #fff; border-left: 4px solid #2F7D5B; border-radius: .3rem; padding: .4rem 1.2rem .4rem 2rem; }
.next li { margin: .55rem 0; }
footer { margin-top: 2.5rem; color: #6B776F; font-size: .85rem; }
.day { white-space: nowrap; }
@media screen and (max-width: 46rem) {
  figure { overflow-x: auto; } figure svg { width: 44rem; }
  thead { position: absolute; left: -99rem; } table, tbody, tr, td { display: block; }
  tr { padding: .5rem 0; } tr + tr { border-top: 1px solid #E1E5E1; } tr + tr td { border: 0; }
  td, td.n { display: flex; justify-content: space-between; gap: 1rem; padding: .15rem .75rem; text-align: right; }
  td, td:first-child { white-space: normal; } td:first-child { font-weight: 600; }
  td::before { content: attr(data-head); color: #6B776F; text-align: left; font-weight: 400; flex: none;
    max-width: 55%; }
  td:empty { display: none; }
}
@media print {
  body { background: #fff; font-size: 9pt; line-height: 1.4; } main { padding: 0; max-width: none; }
  header { padding-bottom: .4rem; margin-bottom: .8rem; } h1 { font-size: 1.6rem; } h2 { margin: 1.1rem 0 .4rem; }
  .tiles { grid-template-columns: repeat(6, 1fr); gap: .4rem; } .tiles li { padding: .4rem .5rem; }
  .tiles b { font-size: 1.15rem; } .wide { overflow: visible; } th, td { padding: .22rem .4rem; }
  table { font-size: 8.5pt; } th { font-size: 8pt; } figure { padding: .3rem; } figure svg { max-height: 52mm; }
  figure, .tiles li, .next, tr { break-inside: avoid; } h2 { break-after: avoid; }
  thead { display: table-header-group; }
  .tiles li, figure, table { border: 1px solid #E1E5E1; }
}
@page { size: portrait; margin: 13mm 12mm; }
"""
MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
          "December")  # fmt: skip


def page(season: SeasonReport, made_s: float, fahrenheit: bool = False) -> str:
    """Return the whole page. made_s: when it was made [s]."""
    drawn = {n: report_pictures.svg(f, n) for n, f in report_pictures.pictures(season, fahrenheit).items()}
    made = datetime.fromtimestamp(made_s, UTC).astimezone(season.zone)
    place = f" at {escape(season.place)}" if season.place else ""
    # fmt: off
    parts = [
        f"<header><h1>{escape(season.name)}: the season</h1><p>{_long(season)}{place}</p></header>",
        _tiles(season, fahrenheit),
        _section("What to change next year", _next(season, fahrenheit)),
        _section("Temperatures", _figure(drawn["temperatures"], "Daily temperatures of frame, outside and soil")
                 + _months(season, fahrenheit)),
        _section("Crops", _crops(season)),
        _section("Picking", _figure(drawn["pick"], "When leaves could be cut, by day")
                 + '<p class="quiet">Green: leaves could be cut. Dots: picked, by the diary.</p>' + _picking(season)),
        _section("Lid", _figure(drawn["lid"], "Hours open and moves of the lid by day") + _lid(season)),
        _section("Alarms", _alarms(season)),
        _section("Setpoints", _settings(season, fahrenheit)),
        _section("Diary", _diary(season)) if season.diary else "",
        f"<footer>Made by Sashkeeper on {made:%Y-%m-%d %H:%M} from this household's own records: readings for "
        f"{season.hours / max(1, season.hours_wanted):.0%} of {season.hours_wanted} hours. Doses and growing hours are "
        "estimates from guide values and from a leaf temperature that is worked out from the air.</footer>",
    ]
    # fmt: on
    body = "\n".join(p for p in parts if p)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(season.name)}, {season.first} to {season.last}</title><style>{STYLE}</style></head>"
        f"<body><main>\n{body}\n</main></body></html>\n"
    )


def _section(head: str, inner: str) -> str:
    return f"<section><h2>{head}</h2>\n{inner}</section>"


def _figure(svg: str, words: str) -> str:
    return f'<figure aria-label="{escape(words)}">{svg}</figure>'


def _long(season: SeasonReport) -> str:
    first, last = season.first, season.last
    return f"{first.day} {MONTHS[first.month - 1]} {first.year} to {last.day} {MONTHS[last.month - 1]} {last.year}"


def _tiles(season: SeasonReport, fahrenheit: bool) -> str:
    def t(degc: float) -> str:
        return temperature(degc, fahrenheit)

    coldest, warmest = min(season.days, key=lambda d: d.low), max(season.days, key=lambda d: d.high)
    tiles = [
        (t(coldest.low), f"coldest, {_short(coldest)}"),
        (t(warmest.high), f"warmest, {_short(warmest)}"),
        (f"{season.picking_days} of {season.leaf_days}", "days on which leaves could be cut"),
        (f"{season.total('open_h'):.0f} h", "with the lid open"),
        (f"{season.total('moves'):.0f}", f"moves of the lid, {season.total('strokes'):.0f} full strokes"),
        (str(len(season.alarms)), "alarm" if len(season.alarms) == 1 else "alarms"),
    ]
    return '<ul class="tiles">' + "".join(f"<li><b>{b}</b><span>{escape(s)}</span></li>" for b, s in tiles) + "</ul>"


def _short(day: Day) -> str:
    return f"{day.day.day} {MONTHS[day.day.month - 1][:3]}"


def _table(head: Sequence[str], rows: Sequence[Sequence[str]], numbers: Sequence[int] = ()) -> str:
    def cell(tag: str, k: int, text: str) -> str:
        shape = " class=n" if k in numbers else ""
        name = f' data-head="{escape(head[k])}"' if tag == "td" else ""  # on a phone each figure has its head beside it
        return f"<{tag}{shape}{name}>{_dates(escape(text))}</{tag}>"

    def cells(tag: str, row: Sequence[str]) -> str:
        return "".join(cell(tag, k, text) for k, text in enumerate(row))

    lines = "".join(f"<tr>{cells('td', r)}</tr>" for r in rows)
    return f'<div class="wide"><table><thead><tr>{cells("th", head)}</tr></thead><tbody>{lines}</tbody></table></div>'


def _dates(text: str) -> str:
    """Keep a date on one line."""
    return re.sub(r"\b(\d{4}-\d{2}-\d{2})\b", r'<span class="day">\1</span>', text)


def _next(season: SeasonReport, fahrenheit: bool) -> str:
    return '<ul class="next">' + "".join(f"<li>{escape(in_unit(a, fahrenheit))}</li>" for a in season.advice) + "</ul>"


def _months(season: SeasonReport, fahrenheit: bool) -> str:
    rows = []
    for year, month in season.months():
        days = [d for d in season.days if (d.day.year, d.day.month) == (year, month)]
        out = [d.outside_low for d in days if d.outside_low is not None]
        rows.append([
            f"{MONTHS[month - 1]} {year}",
            temperature(sum(d.low for d in days) / len(days), fahrenheit),
            temperature(sum(d.high for d in days) / len(days), fahrenheit),
            temperature(min(d.low for d in days), fahrenheit),
            temperature(max(d.high for d in days), fahrenheit),
            temperature(min(out), fahrenheit) if out else "",
            str(sum(1 for d in days if d.low < 0.0)),
        ])  # fmt: skip
    head = ["month", "mean night low", "mean day peak", "lowest", "highest", "lowest outside", "nights below freezing"]
    return _table(head, rows, range(1, 7))


def _crops(season: SeasonReport) -> str:
    if not season.crops:
        return '<p class="quiet">No planting was entered for these days.</p>'
    rows = [_crop_row(c) for c in season.crops]
    head = ["crop", "in the bed", "share", "frost dose", "it may be", "which means", "heat dose", "growing light"]
    note = (
        '<p class="quiet">Doses are degree-hours (of Celsius): ten hours at one degree too much make 10. Frost: under '
        "the temperature at which damage begins, as hardened as leaves were on each day. Heat: over the limit of their "
        "class. Growing light: hours of daylight with leaves in the crop's best band.</p>"
    )
    return _table(head, rows, (2, 3, 4, 6, 7)) + note


def _crop_row(c: CropSeason) -> list[str]:
    until = f" to {c.planting.until_day}" if c.planting.until_day else ""
    return [
        c.crop.name, f"{c.planting.since_day}{until}", f"{c.planting.share_permille / 10:.0f} %", f"{c.frost:.1f}",
        f"{c.frost_low:.0f} to {c.frost_high:.0f}", c.frost_words, f"{c.heat:.1f}", f"{c.growing_h:.0f} h",
    ]  # fmt: skip


def _picking(season: SeasonReport) -> str:
    rows = []
    for year, month in season.months():
        days = [d for d in season.days if (d.day.year, d.day.month) == (year, month)]
        frosty = [d for d in days if d.window is not None and d.low < 2.0]
        starts = sorted(_clock(d.window.from_s, season) for d in frosty if d.window is not None)
        middle = starts[len(starts) // 2] if starts else ""
        cut = sum(1 for e in season.diary if e.kind == "picked" and _month(e.time_s, season) == (year, month))
        leaves = [d for d in days if season.leaves_from is None or d.day >= season.leaves_from]
        could = f"{sum(1 for d in days if d.window)} of {len(leaves)}" if leaves else "none yet"
        rows.append([f"{MONTHS[month - 1]} {year}", could, middle, str(cut)])
    head = ["month", "days with leaves to cut", "usual start after a cold night", "times picked, by the diary"]
    return _table(head, rows, (1, 2, 3))


def _clock(time_s: float, season: SeasonReport) -> str:
    return datetime.fromtimestamp(time_s, UTC).astimezone(season.zone).strftime("%H:%M")


def _month(time_s: float, season: SeasonReport) -> tuple[int, int]:
    at = datetime.fromtimestamp(time_s, UTC).astimezone(season.zone)
    return at.year, at.month


def _lid(season: SeasonReport) -> str:
    faults: dict[str, int] = {}
    for event in season.faults:
        faults[str(event.body.get("fault"))] = faults.get(str(event.body.get("fault")), 0) + 1
    said = ", ".join(f"{name.replace('-', ' ')} {_times(count)}" for name, count in sorted(faults.items())) or "none"
    open_days = sum(1 for d in season.days if d.open_h > 0)
    return (f'<p class="quiet">Open on {open_days} of {len(season.days)} days. Faults that the frame reported: '
            f"{escape(said)}.</p>")  # fmt: skip


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def _alarms(season: SeasonReport) -> str:
    if not season.alarms:
        return '<p class="quiet">None in these days.</p>'
    rows = []
    for a in season.alarms[:60]:
        lasted = span(a.closed_s - a.opened_s) if a.closed_s is not None else "still open"
        rows.append([_stamp(a.opened_s, season), a.priority, a.kind.replace("-", " "), lasted])
    more = len(season.alarms) - len(rows)
    tail = f'<p class="quiet">and {more} more; "sashkeeper alarms" lists them.</p>' if more > 0 else ""
    return _table(["began", "priority", "what", "lasted"], rows) + tail


def _stamp(time_s: float, season: SeasonReport) -> str:
    return datetime.fromtimestamp(time_s, UTC).astimezone(season.zone).strftime("%Y-%m-%d %H:%M")


def _settings(season: SeasonReport, fahrenheit: bool) -> str:
    if not season.settings:
        return '<p class="quiet">Nothing was changed in these days.</p>'
    rows = [
        [_stamp(s.sent_s, season), ", ".join(f"{word(n)} {temperature(v / 1000, fahrenheit).replace('.0 ', ' ')}"
         for n, v in s.settings.items() if n.endswith("_mdegc")) or ", ".join(word(n) for n in s.settings), s.why]
        for s in season.settings[:60]
    ]  # fmt: skip
    return _table(["taken", "values", "why"], rows)


def _diary(season: SeasonReport) -> str:
    rows = [[_stamp(e.time_s, season), e.kind, e.text] for e in season.diary[:100]]
    return _table(["when", "what", ""], rows)
