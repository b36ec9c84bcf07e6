"""The ``sashkeeper`` command: finds its sub-commands, and turns faults into one sentence.

Every module in ``sashkeeper.commands`` that has a click command named
``command`` is a sub-command under the module's name. Modules are imported
only when they are asked for, so a broken or heavy one slows nothing else.
"""

from __future__ import annotations

import errno
import importlib
import pkgutil
import sys
from typing import Any

import click

from . import __version__, commands
from .context import App, home_from, json_option, pass_app, print_json
from .errors import SashkeeperError, nearest

__all__ = ["App", "json_option", "main", "pass_app", "print_json"]

# What to install when an optional part is missing, by its top-level package.
_EXTRAS = {
    "numba": "sim",
    "numpy": "sim",
    "scipy": "sim",
    "matplotlib": "plot",
    "starlette": "page",
    "uvicorn": "page",
    "jinja2": "page",
    "influxdb_client": "influx",
    "icalendar": "season",
    "timezonefinder": "season",
    "mpremote": "board",
    "esptool": "board",
    "segno": "board",
    "cryptography": "board",
    "pyarrow": "parquet",
}


class Sentence(click.ClickException):
    """A fault as click prints it: one sentence on standard error, no traceback."""

    exit_code = 1

    def show(self, file: Any = None) -> None:
        """Print the sentence."""
        click.echo(f"sashkeeper: {self.format_message()}", file=file, err=file is None)


class InputSentence(Sentence):
    """The same for what was asked for in a wrong way."""

    exit_code = 2


def as_sentence(fault: BaseException) -> Sentence | None:
    """Return what to print for a fault that can happen to anybody, or None for a mistake of ours."""
    if isinstance(fault, SashkeeperError):
        return (InputSentence if fault.exit_code == 2 else Sentence)(fault.sentence)
    if isinstance(fault, ModuleNotFoundError):
        extra = _EXTRAS.get((fault.name or "").split(".")[0])
        if extra:
            return Sentence(
                f'This needs the package "{fault.name}", which is not installed. '
                f"Install it with: pip install 'sashkeeper[{extra}]'"
            )
    if isinstance(fault, OSError) and fault.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS):
        return Sentence(f"{fault.filename or 'A file'} cannot be written: {fault.strerror}. Free some space first.")
    return None


class Commands(click.Group):
    """A group that looks for its commands in the ``commands`` package."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of all commands."""
        found = [m.name for m in pkgutil.iter_modules(commands.__path__) if not m.name.startswith("_")]
        return sorted({name.replace("_", "-") for name in found})

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one command; None when there is none of that name."""
        if cmd_name not in self.list_commands(ctx):
            return None
        try:
            module = importlib.import_module(f"{commands.__name__}.{cmd_name.replace('-', '_')}")
        except ModuleNotFoundError as fault:
            if as_sentence(fault) is None:
                raise
            return _missing_part(cmd_name, fault)
        command = getattr(module, "command", None)
        return command if isinstance(command, click.Command) else None

    def resolve_command(self, ctx: click.Context, args: list[str]) -> Any:
        """Find the command; a wrong name gets the nearest one offered."""
        if (
            args
            and not args[0].startswith("-")
            and self.get_command(ctx, args[0]) is None
            and not ctx.resilient_parsing
        ):
            hint = nearest(args[0], self.list_commands(ctx)) or ' "sashkeeper --help" lists them.'
            raise click.UsageError(f'There is no command "{args[0]}".{hint}', ctx)
        return super().resolve_command(ctx, args)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command, faults told in one sentence."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            # The reader (head, less) has seen enough.
            sys.stderr.close()
            raise SystemExit(0) from None
        except Exception as fault:
            sentence = as_sentence(fault)
            if sentence is None:
                raise
            raise sentence from fault


def _missing_part(name: str, fault: ModuleNotFoundError) -> click.Command:
    """Stand in for a command whose optional packages are not installed, so that --help still lists the rest."""

    def tell(**_: object) -> None:
        raise fault

    return click.Command(
        name,
        callback=tell,
        context_settings={"ignore_unknown_options": True},
        params=[click.Argument(["rest"], nargs=-1)],
        help="Needs a package that is not installed.",
    )


@click.group(
    cls=Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100, "auto_envvar_prefix": None},
)
@click.option(
    "--home", metavar="DIR", help="Folder with settings and store (else SASHKEEPER_HOME, else your data folder)."
)
@click.option("--fahrenheit/--celsius", "fahrenheit", default=None, help="Unit of temperatures for this call.")
@click.version_option(__version__, prog_name="sashkeeper")
@click.pass_context
def main(ctx: click.Context, home: str | None, fahrenheit: bool | None) -> None:
    """Keep the lids of your cold frames right, and know when hands are needed."""
    if isinstance(ctx.obj, App):
        return  # handed in by a test, with its own clock
    app = App(home_from(home), fahrenheit)
    ctx.obj = app
    ctx.call_on_close(app.close)
