"""What a search for settings has found, in words and short tables for a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from sashkeeper import tuning
from sashkeeper.columns import paragraph, table

if TYPE_CHECKING:
    from framesim.tune import Search

FEW_NAMES = 6  # more weather years than this are not named one by one
HARM = ("heat_kh", "frost_kh", "growing_h")


def names_of(years: Sequence[str]) -> str:
    """Return weather years in a few words."""
    if len(years) <= FEW_NAMES:
        return ", ".join(years)
    return f"{', '.join(years[:2])} ... {years[-1]}: {len(years)} years"


def tell(found: Search, answer: dict[str, Any], temperature: Any) -> None:
    """Print settings, reason, what changes on years tuned on and held back; temperature: turns degC into text."""
    from framesim.tune_space import SEARCHED

    old, new = found.before.settings, found.best.settings
    rows = [
        [tuning.WORDS[n], tuning.value_words(n, old[n], temperature), tuning.value_words(n, new[n], temperature)]
        for n in SEARCHED
    ]
    click.echo(table(["setting", "now", "recommended"], rows))
    click.echo(paragraph(f"Why: {found.reason}."))
    _tell_gain("On the years it was tuned on", answer["weather"], answer["gain"])
    if answer["held"] is not None:
        _tell_gain("On years it has not seen", answer["held_weather"], answer["held"])
        _tell_years(answer["held_years"])
        click.echo(paragraph(held_words(answer["held_years"])))
    if len(answer["weather"]) < tuning.ENOUGH_YEARS:
        click.echo(paragraph(
            f"Tuned on {_count(len(answer['weather']))} only, so another year may go otherwise: give "
            f"{tuning.ENOUGH_YEARS} or more (--years {tuning.ENOUGH_YEARS})."
        ))  # fmt: skip
    click.echo(paragraph(
        f"Of {found.looked} candidates {len(found.tried)} ran through all years, and of those {len(found.front)} are "
        "beaten by no other in everything; --plot draws them, --json lists them."
    ))  # fmt: skip
    click.echo(paragraph(
        "A simulated frame under guide values for crops: good for choosing a direction. Watch leaves and lid in the "
        "first days after a change."
    ))  # fmt: skip


def _tell_gain(head: str, weather: Sequence[dict[str, Any]], gain: dict[str, dict[str, float]]) -> None:
    click.echo(paragraph(f"{head} ({names_of([w['name'] for w in weather])}), a winter:"))
    rows = []
    for name, words in tuning.FIGURES.items():
        g = gain[name]
        change = f"{_signed(g['least_change'])} to {_signed(g['greatest_change'])}"
        rows.append([words, f"{g['before']:.1f}", f"{g['after']:.1f}", change])
    click.echo(table(["figure", "now", "then", "change by year"], rows))


def _signed(value: float) -> str:
    return f"{round(value, 1) + 0.0:+.1f}"  # no minus before a zero


def _tell_years(years: Sequence[dict[str, Any]]) -> None:
    """One row a year held back, now > then."""

    def change(year: dict[str, Any], name: str) -> str:
        return f"{year['before'][name]:.1f} > {year['after'][name]:.1f}"

    rows = [[y["name"].removesuffix(" (invented)"), *(change(y, name) for name in HARM)] for y in years]
    click.echo(table(["now > then", "heat", "frost", "growing, h"], rows))


def _count(years: int) -> str:
    return "one weather year" if years == 1 else f"{years} weather years"


def held_words(years: Sequence[dict[str, Any]]) -> str:
    """In how many years nothing is worse; which are, and whether that matters."""
    good = sum(y["strictly"] for y in years)
    words = f"No more heat or frost and no less growing light than now in {good} of {len(years)} of these years"
    slight = [y["name"] for y in years if y["no_worse"] and not y["strictly"]]
    bad = [y["name"] for y in years if not y["no_worse"]]
    tail = f"; worse by less than one degree-hour or hour, or 2 %, in {', '.join(slight)}" if slight else ""
    return f"{words}{tail}{'; worse in ' + ', '.join(bad) if bad else ''}."
