"""sashkeeper demo: one invented winter day, from the crops to the phone."""

from __future__ import annotations

import json
from pathlib import Path

import click

from sashkeeper.columns import paragraph
from sashkeeper.demo import day
from sashkeeper.demo.play import Play
from sashkeeper.errors import JobError


@click.command("demo")
@click.option(
    "--out", type=click.Path(file_okay=False, path_type=Path), default=Path("out/demo"), show_default=True,
    help="Folder for picture, messages and summary; what was in it is replaced.",
)  # fmt: skip
def command(out: Path) -> None:
    """Watch one invented winter day: the frame airs itself, the lid jams, the phone hears it."""
    _mind_folder(out)
    click.echo(paragraph(f"{day.PLACE['name']}, {day.DAY:%d %B %Y}. Place, people and weather are invented."))
    play = Play(out, _say)
    story = play.run()
    out.joinpath("messages.txt").write_text(story.messages_text(), encoding="utf-8")
    out.joinpath("summary.json").write_text(json.dumps(story.summary(), indent=2) + "\n", encoding="utf-8")
    if story.settings:
        play.draw(out / "day.png")
    if story.gaps():
        raise JobError(f"The day did not go as it should: {'; '.join(story.gaps())}. See {out}/summary.json.")
    alert = story.alert
    assert alert is not None
    click.echo(f"\nThis is what reached the phone at {day.local(alert.time_s)}:\n")
    click.echo(paragraph(alert.title, "  | ", "  | "))
    for line in alert.text.splitlines():
        click.echo(paragraph(line, "  | ", "  | ") if line.strip() else "  |")
    click.echo()
    click.echo(paragraph(
        f"{story.virtual_s / 3600:.0f} hours in {story.wall_s:.0f} s, {story.stored} messages stored. "
        f"Picture: {out}/day.png. All messages: {out}/messages.txt. Figures: {out}/summary.json."
    ))  # fmt: skip


def _say(time_s: float | None, words: str) -> None:
    click.echo(paragraph(words, f"{day.local(time_s)}  " if time_s else "       ", "       "))


def _mind_folder(out: Path) -> None:
    """Only ever replace what an earlier demo has made."""
    if out.exists() and any(out.iterdir()) and not (out / "summary.json").exists() and not (out / "home").exists():
        raise JobError(f"{out} holds other things. Nothing was changed. Name an empty or new folder with --out.")
