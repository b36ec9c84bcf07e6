"""sashkeeper order: open, shut, hold, release a lid from here; signed, and it waits for the answer."""

from __future__ import annotations

import click

from sashkeeper.cli import App, json_option, pass_app, print_json
from sashkeeper.columns import paragraph
from sashkeeper.errors import InputError, JobError
from sashkeeper.wording import ORDER_REFUSED

WAIT_S = 20.0
ORDERS = {
    "open": "Open the lid and keep it open until 'auto'.",
    "shut": "Shut the lid and keep it shut until 'auto'.",
    "hold": "Stop where the lid is and keep it there until 'release'.",
    "release": "End a hold that was ordered from here.",
    "locate": "Let the frame blink and sound, to find it.",
    "auto": "Give the lid back to the frame's own judgement.",
}


@click.command("order", help="Tell a lid what to do: " + ", ".join(ORDERS) + ".")
@click.argument("frame")
@click.argument("order", metavar="ORDER")
@click.option("--opening", type=click.IntRange(1, 100), metavar="PERCENT", help="With open: how far (else fully).")
@click.option(
    "--wait", "wait_s", type=click.FloatRange(1, 600), default=WAIT_S, show_default=True, help="Seconds to wait."
)
@json_option
@pass_app
def command(app: App, frame: str, order: str, opening: int | None, wait_s: float, as_json: bool) -> None:
    """Send an order and wait until the frame says what it did."""
    from sashkeeper.errors import nearest
    from sashkeeper.line import open_line
    from sashkeeper.wire.outbox import ORDER_LIFE_S

    app.store.frame(frame)
    if order not in ORDERS:
        hint = nearest(order, ORDERS) or f" Orders are: {', '.join(ORDERS)}."
        raise InputError(f'There is no order "{order}".{hint} Nothing was sent.')
    if opening is not None and order != "open":
        raise InputError(f'--opening goes with "open", not with "{order}". Nothing was sent.')
    arg = None if opening is None else opening * 10
    with open_line(app, frame, ("orders/answer", "presence")) as (bus, outbox, service):
        n = outbox.publish_order(frame, order, arg)
        bus.pump(lambda: _answer(app, frame, n) is not None, wait_s, service)
        here = service.live(frame).here
    answer = _answer(app, frame, n)
    if as_json:
        print_json({"frame": frame, "order": order, "n": n, "done": answer and answer[0], "why": answer and answer[1]})
    if answer is None:
        away = " It is not connected at present." if here is False else ""
        raise JobError(
            f"{frame} has not answered within {wait_s:g} s.{away} "
            f"The order is good for {ORDER_LIFE_S:g} s and then expires."
        )
    if not answer[0]:
        raise JobError(f"{frame} did not do it: {ORDER_REFUSED.get(answer[1], answer[1])}.")
    if not as_json:
        click.echo(paragraph(f"{frame} has taken the order to {order}." + _caution(order)))


def _caution(order: str) -> str:
    if order in ("open", "shut"):
        return (
            " Mind hands and tools: the lid moves. It stays there until heat or frost ends the order, or until "
            '"sashkeeper order FRAME auto".'
        )
    return ""


def _answer(app: App, frame: str, n: int) -> tuple[bool, str] | None:
    for sent in app.store.orders(frame, 5):
        if sent.n == n and sent.done is not None:
            return sent.done, sent.why or ""
    return None
