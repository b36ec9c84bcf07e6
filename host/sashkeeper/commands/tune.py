"""sashkeeper tune: which settings serve this frame, these crops and this weather best."""

from __future__ import annotations

import json
from itertools import count, islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sashkeeper import tune_words, tuning
from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.commands._winter_options import changes_of
from sashkeeper.errors import InputError, JobError
from sashkeeper.season import crops
from sashkeeper.season.place import site_of
from sashkeeper.season.setpoint_words import controller

if TYPE_CHECKING:
    from framesim.frame import Frame
    from framesim.tune import Candidate, Problem, Search
    from framesim.weather import Weather


@click.command("tune", help="Search settings for a frame: less heat and frost, more growth, fewer moves.")
@click.argument("frame_id", metavar="[FRAME]", required=False)
@click.option("--crop", "crop_words", multiple=True, help="Tune for these crops instead of what stands in FRAME.")
@click.option("--weather", "files", multiple=True, type=click.Path(path_type=Path),
              help="A weather year: EPW, TMY3 or table; repeatable.")  # fmt: skip
@click.option("--invent", "seeds", multiple=True, type=int, help="An invented weather year of this seed; repeatable.")
@click.option("--years", type=click.IntRange(0, 200), default=tuning.ENOUGH_YEARS, show_default=True,
              help="So many invented weather years beside them, of seeds 1, 2, 3 ... but those held back.")  # fmt: skip
@click.option("--hold", "held_files", multiple=True, type=click.Path(path_type=Path),
              help="A weather year held back: only tried at the end.")  # fmt: skip
@click.option("--hold-invent", "held_seeds", multiple=True, type=int, help="The same, invented.")
@click.option("--model", "model_name", default="garden-frame", show_default=True,
              help="The simulated frame: a TOML file or a shipped name.")  # fmt: skip
@click.option("--set", "changes", metavar="KEY=VALUE", multiple=True, help="Change a figure of that frame.")
@click.option("--from", "from_day", metavar="MM-DD", default="11-01", show_default=True)
@click.option("--to", "to_day", metavar="MM-DD", default="03-31", show_default=True)
@click.option("--candidates", type=click.IntRange(16, 100_000), default=640, show_default=True)
@click.option("--seed", type=int, default=1, show_default=True, help="Same seed, same result.")
@click.option("--run", "run_file", type=click.Path(path_type=Path, dir_okay=False),
              help="Run file: a search that was broken off goes on from it.")  # fmt: skip
@click.option("--fresh", is_flag=True, help="Start over even if the run file has results.")
@click.option("--cores", type=click.IntRange(1, 256), help="Cores of this computer. [default: all]")
@click.option("--dask", "dask_address", metavar="ADDRESS", help='A Dask scheduler, or "local".')
@click.option("--plot", type=click.Path(path_type=Path), help="Write the trade as a picture.")
@click.option("--out", type=click.Path(path_type=Path), help="Write the recommended settings as JSON.")
@click.option("--send", is_flag=True, help="Send the recommended settings to FRAME.")
@json_option
@pass_app
def command(
    app: App, frame_id: str | None, crop_words: tuple[str, ...], files: tuple[Path, ...], seeds: tuple[int, ...],
    years: int, held_files: tuple[Path, ...], held_seeds: tuple[int, ...], model_name: str, changes: tuple[str, ...],
    from_day: str, to_day: str, candidates: int, seed: int, run_file: Path | None, fresh: bool, cores: int | None,
    dask_address: str | None, plot: Path | None, out: Path | None, send: bool, as_json: bool,
) -> None:  # fmt: skip
    """Search, then try the recommendation on the years held back."""
    from framesim.tune import TuneError, search

    if send and frame_id is None:
        raise InputError("--send needs a frame to send to. Nothing was run.")
    book = crops.load(app.home)
    season = (from_day, to_day)
    stand = _stand(app, book, frame_id, crop_words)
    site = site_of(app.config)
    place = None if site is None else (site.lat_deg, site.lon_deg, site.elevation_m)
    seeds = _seeds(seeds, years, held_seeds)
    if not files and not seeds:
        raise InputError("Give weather to tune on: --years 24, --weather FILE, or --invent SEED.")
    weather = tuning.weathers(files, seeds, place, season)
    held_place = place or (weather[0].lat, weather[0].lon, weather[0].elevation_m)
    held = tuning.weathers(held_files, held_seeds, held_place, season)
    model = _model(model_name, changes)
    problem = _problem(model, weather, book, stand, season)
    base = tuning.base_settings(book, stand, weather[0], _in_force(app, frame_id))
    try:
        workers = _workers(problem, cores, dask_address)
        try:
            with _bar(candidates, as_json) as bar:
                found = search(
                    problem, base, candidates=candidates, seed=seed, workers=workers, run_file=run_file, fresh=fresh,
                    progress=bar,
                )  # fmt: skip
        finally:
            workers.close()
    except TuneError as fault:
        raise InputError(str(fault)) from fault
    except KeyboardInterrupt:
        raise JobError(_broken_off(run_file)) from None
    _finish(app, found, weather, held, model, book, stand, season, frame_id, plot, out, as_json)
    if send and frame_id is not None:
        _send(app, frame_id, found)


def _seeds(given: tuple[int, ...], years: int, held: tuple[int, ...]) -> tuple[int, ...]:
    """Seeds to tune on: those given and the first so many others, none of which is held back."""
    both = sorted(set(given) & set(held))
    if both:
        raise InputError(f"Seed {both[0]} is given to tune on and to hold back. Leave one out. Nothing was run.")
    free = (seed for seed in count(1) if seed not in given and seed not in held)
    return (*dict.fromkeys(given), *islice(free, years))


def _stand(app: App, book: crops.CropBook, frame_id: str | None, words: tuple[str, ...]) -> tuple[tuning.Stand, ...]:
    if words:
        return tuning.stands(book, [(word, 1.0) for word in words])
    if frame_id is None:
        raise InputError("Name a frame in which crops stand, or crops with --crop. Nothing was run.")
    app.store.frame(frame_id)
    site = site_of(app.config)
    today = site.today(app.clock.now_s()).isoformat() if site is not None else None
    standing = app.store.plantings(frame_id, today)
    return tuning.stands(book, [(p.crop, p.share_permille / 1000) for p in standing])


def _in_force(app: App, frame_id: str | None) -> dict[str, int]:
    actual = app.store.actual(frame_id) if frame_id is not None else None
    return dict(controller.defaults()) | (dict(actual.body["settings"]) if actual else {})


def _model(name: str, changes: tuple[str, ...]) -> Frame:
    from framesim.frame import FrameError, load

    try:
        return load(name, changes_of(changes))
    except FrameError as fault:
        raise InputError(str(fault)) from fault


def _problem(
    model: Frame, years: list[Weather], book: crops.CropBook, stand: tuple[tuning.Stand, ...], season: tuple[str, str]
) -> Problem:
    from framesim.weather import WeatherError

    try:
        return tuning.problem(model, [tuning.year(model, w, book, stand, season) for w in years])
    except WeatherError as fault:
        raise InputError(f"{fault} Nothing was run.") from fault


def _workers(problem: Problem, cores: int | None, address: str | None) -> Any:
    from framesim.tune_run import Dask, Threads

    return Threads(problem, cores) if address is None else Dask(problem, address, cores)


class _bar:
    """A progress bar on standard error; none when JSON is printed."""

    def __init__(self, total: int, quiet: bool) -> None:
        self.quiet, self.total = quiet, total
        self._bar: Any = None

    def __enter__(self) -> _bar:
        if not self.quiet:
            from tqdm import tqdm

            self._bar = tqdm(total=self.total, unit="winter", dynamic_ncols=True, leave=False)
        return self

    def __call__(self, done: int, of: int) -> None:
        if self._bar is not None:
            self._bar.total = of
            self._bar.update(done - self._bar.n)

    def __exit__(self, *_: object) -> None:
        if self._bar is not None:
            self._bar.close()


def _broken_off(run_file: Path | None) -> str:
    if run_file is None:
        return "Broken off; nothing was kept. With --run FILE a search can go on later."
    return f"Broken off. What was done is in {run_file}: the same command goes on from there."


def _finish(
    app: App, found: Search, years: list[Weather], held: list[Weather], model: Frame, book: crops.CropBook,
    stand: tuple[tuning.Stand, ...], season: tuple[str, str], frame_id: str | None, plot: Path | None,
    out: Path | None, as_json: bool,
) -> None:  # fmt: skip
    checked: tuple[Candidate, Candidate] | None = None
    if held:
        from framesim.tune import compare

        trial = _problem(model, held, book, stand, season)
        checked = tuple(compare(trial, [found.before.settings, found.best.settings]))  # type: ignore[assignment]
    if plot is not None:
        from sashkeeper import tune_picture

        names = ", ".join(s.crop.name.lower() for s in stand)
        tune_picture.draw(plot, found, f"Settings for {frame_id or model.name}: {names}", _weather_words(years))
    if out is not None:
        _write(out, found.best.settings)
    answer = _answer(found, years, held, checked)
    if as_json:
        print_json(answer)
        return
    tune_words.tell(found, answer, app.temperature)
    for path, what in ((plot, "Picture"), (out, "Settings")):
        if path is not None:
            click.echo(f"{what}: {path}")


def _weather_words(years: list[Weather]) -> str:
    names = tune_words.names_of([w.name for w in years])
    return f"Simulated on {names}. Dots: quick steps; square and star: worked out anew in steps of a minute."


def _write(path: Path, settings: dict[str, int]) -> None:
    try:
        path.write_text(json.dumps({"settings": settings}, indent=2) + "\n", encoding="utf-8")
    except OSError as fault:
        raise JobError(f"{path} cannot be written: {fault.strerror}.") from fault


def _answer(
    found: Search, years: list[Weather], held: list[Weather], checked: tuple[Candidate, Candidate] | None
) -> dict[str, Any]:
    return {
        "settings": found.best.settings,
        "before": found.before.settings,
        "reason": found.reason,
        "weather": [{"name": w.name, "invented": w.invented} for w in years],
        "gain": tuning.spread_of(found.before, found.best),
        "held_weather": [{"name": w.name, "invented": w.invented} for w in held],
        "held": None if checked is None else tuning.spread_of(*checked),
        "held_years": [] if checked is None else tuning.by_year(*checked, [w.name for w in held]),
        "front": [{"settings": c.settings, **{n: round(c.mean(n), 2) for n in tuning.FIGURES}} for c in found.front],
        "candidates": found.looked,
        "through_all_years": len(found.tried),
        "winters": found.winters,
    }


def _send(app: App, frame_id: str, found: Search) -> None:
    from framesim.tune_space import SEARCHED
    from sashkeeper.commands.setpoints import _send as send
    from sashkeeper.season.setpoint_send import WAIT_S

    changes = {n: found.best.settings[n] for n in SEARCHED if found.best.settings[n] != found.before.settings[n]}
    if not changes:
        click.echo(f"{frame_id} has these settings already.")
        return
    send(app, frame_id, changes, "tuned", WAIT_S, False)
