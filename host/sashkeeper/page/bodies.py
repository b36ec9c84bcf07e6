"""Reading what a browser or program sends: bounded, checked, told in one sentence what is wrong."""

from __future__ import annotations

import json
from typing import Any, TypeVar
from urllib.parse import parse_qsl

from pydantic import BaseModel, ValidationError
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request

MOST_BYTES = 32_768
MOST_FIELDS = 60

Model = TypeVar("Model", bound=BaseModel)


def is_api(request: Request) -> bool:
    """Return whether a program asks, not a person."""
    return request.url.path == "/api" or request.url.path.startswith("/api/")


async def body(request: Request) -> bytes:
    """Return the body. Raises HTTPException 413 when it is too long."""
    if hasattr(request.state, "body"):
        return bytes(request.state.body)
    parts, size = [], 0
    try:
        async for part in request.stream():
            size += len(part)
            if size > MOST_BYTES:
                raise HTTPException(413, f"More than {MOST_BYTES} bytes were sent. Nothing was changed.")
            parts.append(part)
    except ClientDisconnect:
        raise HTTPException(400, "The request broke off. Nothing was changed.") from None
    request.state.body = b"".join(parts)
    return bytes(request.state.body)


async def form(request: Request) -> dict[str, str]:
    """Return the fields of a form. Raises HTTPException 400, 413, 415."""
    kind = request.headers.get("content-type", "").split(";")[0].strip().lower()
    raw = await body(request)
    if raw and kind != "application/x-www-form-urlencoded":
        raise HTTPException(415, "A form was expected. Nothing was changed.")
    try:
        return dict(parse_qsl(raw.decode("ascii"), keep_blank_values=True, max_num_fields=MOST_FIELDS, errors="strict"))
    except ValueError:
        raise HTTPException(400, "The form cannot be read. Nothing was changed.") from None


async def field(request: Request, name: str) -> str:
    """Return one field of a form, or an empty text."""
    return (await form(request)).get(name, "")


async def read(request: Request, model: type[Model]) -> Model:
    """Return a JSON body, checked. Raises HTTPException 400, 413, 415, 422."""
    kind = request.headers.get("content-type", "").split(";")[0].strip().lower()
    raw = await body(request)
    if kind != "application/json":
        raise HTTPException(415, "A body of the type application/json was expected. Nothing was changed.")
    try:
        value: Any = json.loads(raw)
    except (ValueError, RecursionError):
        raise HTTPException(400, "The body is not JSON. Nothing was changed.") from None
    try:
        return model.model_validate(value)
    except ValidationError as error:
        said = "; ".join(f"{'.'.join(map(str, f['loc'])) or 'the body'}: {f['msg']}" for f in error.errors()[:6])
        raise HTTPException(422, f"The body does not fit: {said}. Nothing was changed.") from None


def whole(text: str | None, name: str, default: int | None = None, low: int = 0, high: int = 4_102_444_800) -> int:
    """Return a whole number of the query. Raises HTTPException 422."""
    if text is None and default is not None:
        return default
    try:
        value = int(text or "")
    except ValueError:
        raise HTTPException(422, f"{name} should be a whole number.") from None
    if not low <= value <= high:
        raise HTTPException(422, f"{name} should be from {low} to {high}.")
    return value
