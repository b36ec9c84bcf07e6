"""Who may come in: passphrase, session cookie, form tokens, origin of requests, and patience with guessers."""

from __future__ import annotations

import asyncio
import hmac
import ipaddress
from collections import deque
from collections.abc import Awaitable, Callable
from urllib.parse import quote, urlsplit

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from ..clock import Clock
from . import vault
from .bodies import field, is_api
from .vault import Session, Vault

Handler = Callable[[Request], Awaitable[Response]]

FREE_TRIES = 5  # then each further one has to wait twice as long as the one before
LONGEST_WAIT_S = 900.0
TRIES_A_MINUTE = 30  # from all addresses together: hashing costs the little computer a tenth of a second
KEPT_ADDRESSES = 2000
TOKEN_HEADER = "x-sashkeeper-token"

HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "manifest-src 'self'; worker-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # Not "no-referrer": with that, browsers send "Origin: null" with our own forms.
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}


class TooManyTries(HTTPException):
    """Guessing has to wait."""

    def __init__(self, wait_s: float) -> None:
        after = str(max(1, round(wait_s + 0.5)))
        super().__init__(429, f"Too many wrong passphrases. Wait {after} s and try again.", {"Retry-After": after})


class Patience:
    """Makes repeated wrong passphrases slow: by address, and all together."""

    def __init__(self) -> None:
        self._wrong: dict[str, tuple[int, float]] = {}
        self._tries: deque[float] = deque()

    def check(self, address: str, now_s: float) -> None:
        """Raise TooManyTries when this address, or everybody, has to wait."""
        _, until_s = self._wrong.get(address, (0, 0.0))
        if now_s < until_s:
            raise TooManyTries(until_s - now_s)
        while self._tries and not 0 <= now_s - self._tries[0] < 60:
            self._tries.popleft()
        if len(self._tries) >= TRIES_A_MINUTE:
            raise TooManyTries(60 - (now_s - self._tries[0]))
        self._tries.append(now_s)

    def wrong(self, address: str, now_s: float) -> None:
        """Note a wrong passphrase."""
        count = self._wrong.pop(address, (0, 0.0))[0] + 1
        wait_s = 0.0 if count < FREE_TRIES else min(LONGEST_WAIT_S, 2.0 ** (count - FREE_TRIES + 1))
        self._wrong[address] = (count, now_s + wait_s)
        while len(self._wrong) > KEPT_ADDRESSES:
            self._wrong.pop(next(iter(self._wrong)))

    def right(self, address: str) -> None:
        """Forget what went wrong before."""
        self._wrong.pop(address, None)


def address_of(request: Request) -> str:
    """Return where a request comes from; of an IPv6 address the part that one household has."""
    host = request.client.host if request.client else ""
    try:
        ip = ipaddress.ip_address(host)
    except ValueError:
        return host
    if ip.version == 6:
        return str(ipaddress.ip_network((ip, 64), strict=False))
    return host


class Gate:
    """Checks passphrases and sessions."""

    def __init__(self, kept: Vault, clock: Clock, tls: bool) -> None:
        self.vault, self.clock, self.tls = kept, clock, tls
        self.patience = Patience()
        self._one_at_a_time = asyncio.Lock()
        # The prefix makes browsers refuse the cookie from anybody but this very host over TLS.
        self.cookie = "__Host-sashkeeper" if tls else "sashkeeper"

    def session(self, request: Request) -> Session | None:
        """Return the session of a request, or None."""
        word = request.cookies.get(self.cookie, "")
        return self.vault.session(word, self.clock.now_s()) if 0 < len(word) < 200 else None

    def guard(self, handler: Handler) -> Handler:
        """Let only signed-in people through; what changes something must also carry the session's token."""

        async def guarded(request: Request) -> Response:
            session = self.session(request)
            if session is None:
                return self._turn_away(request)
            request.state.session = session
            if request.method not in ("GET", "HEAD"):
                given = request.headers.get(TOKEN_HEADER, "")
                if not given and not is_api(request):
                    given = await field(request, "token")
                if not hmac.compare_digest(given.encode("utf-8", "replace"), session.csrf.encode()):
                    raise HTTPException(403, "This form is out of date. Go back, load the page again and repeat it.")
            return await handler(request)

        return guarded

    def _turn_away(self, request: Request) -> Response:
        if is_api(request) or request.method not in ("GET", "HEAD"):
            raise HTTPException(401, "Sign in first.")
        after = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        return RedirectResponse("/sign-in" + (f"?next={quote(after)}" if after != "/" else ""), 303)

    async def try_passphrase(self, request: Request, passphrase: str) -> bool:
        """Return whether a passphrase is right; raises TooManyTries."""
        address = address_of(request)
        async with self._one_at_a_time:  # a hundred guesses at once are still a hundred guesses
            self.patience.check(address, self.clock.now_s())
            stored = self.vault.passphrase_hash
            fits = len(passphrase) <= vault.MOST_LETTERS and await asyncio.to_thread(vault.matches, stored, passphrase)
            if fits:
                self.patience.right(address)
            else:
                self.patience.wrong(address, self.clock.now_s())
        return fits

    def let_in(self, response: Response) -> Response:
        """Start a session on a response."""
        response.set_cookie(
            self.cookie, self.vault.sign_in(self.clock.now_s()), max_age=vault.SESSION_S, path="/", httponly=True,
            secure=self.tls, samesite="strict",
        )  # fmt: skip
        return response

    def let_out(self, response: Response) -> Response:
        """Remove the cookie."""
        response.delete_cookie(self.cookie, path="/", httponly=True, secure=self.tls, samesite="strict")
        return response


def check_origin(request: Request) -> None:
    """Refuse a change that another site asks for. Raises HTTPException 403.

    Browsers say where a form was; a program without a browser sends neither header, and has no cookie of
    ours that it was not given.
    """
    if request.method in ("GET", "HEAD", "OPTIONS"):
        return
    said = request.headers.get("origin")
    if said is None and "referer" in request.headers:
        parts = urlsplit(request.headers["referer"])
        said = f"{parts.scheme}://{parts.netloc}"
    site = request.headers.get("sec-fetch-site", "same-origin")
    # A relay that ends TLS for us keeps the host and changes the scheme, so hosts are compared.
    if (said is not None and urlsplit(said).netloc != request.headers.get("host", "")) or site not in (
        "same-origin", "none",
    ):  # fmt: skip
        raise HTTPException(403, "This request came from another site. Nothing was changed.")


def safe_next(text: str) -> str:
    """Return a path of ours to go on to after signing in; "/" for anything else."""
    good = text.startswith("/") and not text.startswith(("//", "/\\")) and text.isprintable() and len(text) < 300
    return text if good else "/"
