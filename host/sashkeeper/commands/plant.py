"""sashkeeper plant: which crops stand in which frame."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import click

from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph, table
from sashkeeper.errors import InputError
from sashkeeper.season import crop_state, crops, planting, planting_next, season_now, sowing
from sashkeeper.season.place import need_site, site_of
from sashkeeper.season.setpoint_words import in_unit
from sashkeeper.store import Planting


@click.group("plant", help="Say what grows in which frame, since when, on which share of the bed.")
def command() -> None:
    """Group of the planting commands."""


def _row(p: Planting) -> dict[str, Any]:
    return {
        "id": p.id,
        "frame": p.frame,
        "crop": p.crop,
        "since": p.since_day,
        "until": p.until_day,
        "share": p.share_permille / planting.FULL,
        "start": p.data.get("start"),
    }


@command.command("add")
@click.argument("frame")
@click.argument("crop")
@click.option("--since", help="Day it was sown or planted out, like 2026-09-20. [default: today]")
@click.option("--until", help="Day it left, for a crop that is gone already.")
@click.option("--share", type=float, help="Share of the bed, 0 to 1. [default: what is free]")
@click.option("--transplant", "start", flag_value="transplant", help="Planted out as a young plant.")
@click.option("--direct", "start", flag_value="direct", help="Sown in place.")
@json_option
@pass_app
def add(
    app: App, frame: str, crop: str, since: str | None, until: str | None, share: float | None, start: str | None,
    as_json: bool,
) -> None:  # fmt: skip
    """Record that CROP stands in FRAME."""
    today = season_now.today_at(site_of(app.config), app.clock.now_s())
    day = planting.read_day(since, "--since") if since else today
    last = planting.read_day(until, "--until") if until else None
    if share is not None:
        planting.read_share(share)
    made, kind = planting.add(
        app.store, crops.load(app.home), frame, crop, day, today, share=share, start=start, until=last
    )
    if as_json:
        print_json(_row(made))
        return
    part = "the whole bed" if made.share_permille == planting.FULL else f"{made.share_permille / 10:.0f} % of the bed"
    click.echo(f"{kind.name} stands in {frame} since {day}, on {part} (number {made.id}).")
    click.echo(paragraph(f'Next: "sashkeeper setpoints suggest {frame}" takes its opening and closing from it.'))


@command.command("list")
@click.argument("frame", required=False)
@click.option("--all", "everything", is_flag=True, help="Also what has left.")
@json_option
@pass_app
def show(app: App, frame: str | None, everything: bool, as_json: bool) -> None:
    """List what stands in FRAME, or in all frames."""
    site = site_of(app.config)
    today = season_now.today_at(site, app.clock.now_s())
    if frame is not None:
        app.store.frame(frame)
    rows = app.store.plantings(frame, None if everything else today.isoformat())
    stages: dict[int, planting.Stage] = {}
    for name in dict.fromkeys(p.frame for p in rows):
        now = season_now.gather(app.store, app.config, app.home, name, app.clock.now_s())
        for p in now.plantings:
            stages[p.id] = planting.stage_of(p, now.book.find(p.crop), today, now.days, now.conditions)
    if as_json:
        print_json([
            {**_row(p), "stage": stages[p.id].name if p.id in stages else None,
             "stage_why": stages[p.id].why if p.id in stages else None} for p in rows
        ])  # fmt: skip
        return
    if not rows:
        click.echo('Nothing stands there. Enter it: "sashkeeper plant add FRAME CROP --since DAY".')
        return
    cells = []
    for p in rows:
        stage = stages.get(p.id)
        words = f"{stage.name}: {stage.why}" if stage else f"left on {p.until_day}"
        cells.append([p.frame, str(p.id), p.crop, f"{p.share_permille / planting.FULL:g}", p.since_day, words])
    click.echo(table(["frame", "no", "crop", "share", "since", "stage"], cells))


@command.command("state")
@click.argument("frame")
@json_option
@pass_app
def state(app: App, frame: str, as_json: bool) -> None:
    """Show how hard the crops of FRAME are, and what frost and heat they have had."""
    site = site_of(app.config)
    now_s = app.clock.now_s()
    now = season_now.gather(app.store, app.config, app.home, frame, now_s)
    found = crop_state.states(app.store, now, now_s, site)
    if as_json:
        print_json([_state_json(s) for s in found])
        return
    if not found:
        click.echo(f"Nothing stands in {frame}.")
    for s in found:
        click.echo(paragraph(_state_words(app, s), "", "  "))
    click.echo(paragraph("Estimates, from published rates for spinach; the range is as wide as what is not known."))


def _state_words(app: App, s: crop_state.CropState) -> str:
    hard, crop = s.limits.hard, s.limits.crop
    words = [f"{crop.name}, {s.limits.stage.name}: {s.limits.stage.why}."]
    if s.up_in_days is not None:
        words.append(f"Up in about {s.up_in_days:.0f} days.")
    words.append(
        f"Leaves hurt from about {app.temperature(hard.damage_degc)} "
        f"({app.temperature(hard.warm_degc)} to {app.temperature(hard.cold_degc)}), {hard.hardened_share:.0%} hardened."
    )
    low, high = s.frost_range
    words.append(
        f"Last {crop_state.DOSE_DAYS} days: frost dose {s.frost_dose:.1f} C h ({low:.1f} to {high:.1f}), "
        f"{s.frost_words}; {s.heat_dose:.1f} C h above {app.temperature(s.heat_over_degc)}."
    )
    return in_unit(" ".join(words), app.fahrenheit)


def _state_json(s: crop_state.CropState) -> dict[str, Any]:
    hard = s.limits.hard
    return {
        **_row(s.limits.planting),
        "stage": s.limits.stage.name,
        "stage_why": s.limits.stage.why,
        "leaf_damage_degc": round(hard.damage_degc, 2),
        "leaf_damage_range_degc": [round(hard.cold_degc, 2), round(hard.warm_degc, 2)],
        "hardened_share": round(hard.hardened_share, 3),
        "week_min_degc": hard.week_min_degc,
        "frost_dose_degc_h": round(s.frost_dose, 2),
        "frost_dose_range_degc_h": [round(v, 2) for v in s.frost_range],
        "frost": s.frost_words,
        "heat_dose_degc_h": round(s.heat_dose, 2),
        "heat_over_degc": s.heat_over_degc,
        "up_in_days": s.up_in_days,
    }


@command.command("next")
@click.argument("frame", required=False)
@click.option("--area", type=float, help="Area of the bed in m2, for seed.")
@json_option
@pass_app
def next_(app: App, frame: str | None, area: float | None, as_json: bool) -> None:
    """Show what comes free in the bed of FRAME (or of all), when, and what is still worth sowing there."""
    if frame is not None:
        app.store.frame(frame)
    found = free_slots(app, [frame] if frame is not None else [f.id for f in app.store.frames()])
    if as_json:
        print_json([_slot_json(s, area) for s in found])
        return
    if not found:
        click.echo('There is no frame yet. Enter it: "sashkeeper frames add NAME".')
    for slot in found:
        click.echo(paragraph(_slot_words(slot, area), "", "  "))
    if found:
        click.echo(paragraph("Days are guesses from how each crop is cut; guide values. A crop's own day counts: "
                             '"sashkeeper plant remove FRAME CROP" when it is cleared.'))  # fmt: skip


def free_slots(app: App, frames: Sequence[str]) -> list[planting_next.Slot]:
    """Return the slots of frames, the soonest first. Raises InputError without a place, and in polar night."""
    site = need_site(app.config)
    found: list[planting_next.Slot] = []
    for name in frames:
        now = season_now.gather(app.store, app.config, app.home, name, app.clock.now_s())
        planner = planting_next.Planner(site, now.book, planting_next.soil_now(now.conditions.soil, now.today))
        found += planner.slots(name, now.plantings, now.today)
    return sorted(found, key=lambda s: (s.since, s.frame))


def _slot_words(slot: planting_next.Slot, area_m2: float | None) -> str:
    part = "the whole bed" if slot.share_permille == planting.FULL else f"{slot.share_permille / 10:.0f} % of the bed"
    if slot.leaves is None:
        head = f"{slot.frame}: {part} is free now"
    else:
        head = f"{slot.frame}: {part} comes free about {slot.since} ({slot.leaves.crop}: {slot.why})"
    words = f"{head}. {planting_next.sow_words(slot)}"
    need = _seed(slot, area_m2)
    if need:
        words += " Seed for it: " + ", ".join(f"{crop} {count:.0f}" for crop, count in need.items()) + "."
    return words


def _seed(slot: planting_next.Slot, area_m2: float | None) -> dict[str, float]:
    """Return seeds for baby leaf, or plants where they are planted out, of the crops named for a slot."""
    if area_m2 is None:
        return {}
    found = {}
    for s in slot.sow[: planting_next.AT_MOST]:
        need = sowing.shares(area_m2, slot.share_permille / planting.FULL, s.crop)
        found[s.crop.id] = need["full_plants"] if s.how.startswith("plant out") else need["baby_seeds"]
    return found


def _slot_json(slot: planting_next.Slot, area_m2: float | None) -> dict[str, Any]:
    need = _seed(slot, area_m2)
    return {
        "frame": slot.frame,
        "free_from": slot.since.isoformat(),
        "share": slot.share_permille / planting.FULL,
        "leaves": None if slot.leaves is None else {"id": slot.leaves.id, "crop": slot.leaves.crop},
        "why": slot.why,
        "sow": [
            {"crop": s.crop.id, "how": s.how, "until": s.until.isoformat() if s.until else None,
             "first_cut": s.first_cut.isoformat() if s.first_cut else None,
             **({"seeds_or_plants": round(need[s.crop.id])} if s.crop.id in need else {})}
            for s in slot.sow
        ],
        "waits": slot.waits,
    }  # fmt: skip


@command.command("remove")
@click.argument("frame")
@click.argument("crop")
@click.option("--on", "on_day", help="Day it left, like 2027-03-28. [default: today]")
@click.option("--mistake", is_flag=True, help="It never stood there: forget it altogether.")
@json_option
@pass_app
def remove(app: App, frame: str, crop: str, on_day: str | None, mistake: bool, as_json: bool) -> None:
    """Record that CROP has left FRAME (CROP may be a planting's number)."""
    today = season_now.today_at(site_of(app.config), app.clock.now_s())
    day = planting.read_day(on_day, "--on") if on_day else today
    if day > today:
        raise InputError(f"{day} is still to come (today is {today}). Nothing was changed.")
    if crop.isdigit():
        found = [p for p in app.store.plantings(frame, today.isoformat()) if p.id == int(crop)]
        if not found:
            raise InputError(f"No planting number {crop} stands in {frame} today. Nothing was changed.")
    else:
        found = planting.matching(app.store, crops.load(app.home), frame, crop, today)
    if len(found) > 1 and not crop.isdigit():
        numbers = ", ".join(f"{p.id} (since {p.since_day})" for p in found)
        raise InputError(f"{crop} stands in {frame} more than once; say which number: {numbers}. Nothing was changed.")
    gone = found[0]
    if mistake:
        app.store.planting_remove(gone.id)
    elif day.isoformat() < gone.since_day:
        raise InputError(
            f"{gone.crop} came to {frame} on {gone.since_day}, so it cannot have left on {day}. Nothing was changed."
        )
    else:
        app.store.planting_change(gone.id, until_day=day.isoformat())
    if as_json:
        print_json({**_row(gone), "until": None if mistake else day.isoformat(), "forgotten": mistake})
    else:
        click.echo(f"{gone.crop} is {'forgotten' if mistake else f'gone from {frame} since {day}'}.")
