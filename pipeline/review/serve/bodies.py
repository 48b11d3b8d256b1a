"""What a request may hold: bodies as models, numbers of an address inside their limits."""

from __future__ import annotations

import asyncio
import json
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator
from starlette.exceptions import HTTPException
from starlette.requests import Request

from pipeline.errors import UsageError
from pipeline.review.serve.guard import MAX_BODY_BYTES

REQUEST_S = 15.0  # in which a whole request must come

# What a person is told of a field that does not hold what it must.
_TOLD = {
    "version": "The request does not tell which state it saw",
    "id": "The request has no usable id",
    "target": "An entry has no such number",
    "value": "A decision cannot be read",
    "at": "A number cannot be read",
}


class Body(BaseModel):
    """A request without anything to tell."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class Seen(Body):
    """version: of the decisions that the person saw."""

    version: int


class Decide(Seen):
    """One decision. id: of the request, so that one sent twice counts once.

    value: see `decision_values`, with spans in case time. target: number of an entry, to undo
    it. plan: the plan that is signed, first 8 digits of its hash.
    """

    verb: str
    by: str = ""
    id: str | None = Field(None, pattern="^[0-9a-f]{16,64}$")
    finding: str = ""
    reason: str = ""
    value: dict[str, Any] = {}
    target: int | None = None
    plan: str = ""

    @field_validator("value", mode="before")
    @classmethod
    def _none_is_empty(cls, value: Any) -> Any:
        return {} if value is None else value


class TryMark(Body):
    """A mark put somewhere. positions: see `decision_values`. at: case time in s, or none."""

    positions: Any
    at: float | None = Field(None, allow_inf_nan=False, ge=0)


_Body = TypeVar("_Body", bound=Body)


async def read_body(request: Request, model: type[_Body]) -> _Body:
    """Raises UsageError for what is not of the model, HTTPException for too much or too late."""
    raw = b""
    try:
        async with asyncio.timeout(REQUEST_S):
            async for chunk in request.stream():
                raw += chunk
                if len(raw) > MAX_BODY_BYTES:
                    raise HTTPException(413)
    except TimeoutError:
        raise HTTPException(408) from None
    try:
        data = json.loads(raw)
        json.dumps(data, ensure_ascii=False).encode()  # half a letter cannot be written down
    except (ValueError, RecursionError):
        raise UsageError("The request is no JSON", "", "reload the page") from None
    if not isinstance(data, dict):
        raise UsageError("The request is no JSON object", "", "reload the page")
    try:
        return model.model_validate(data)
    except ValidationError as error:
        name = str(error.errors(include_url=False, include_input=False)[0]["loc"][0])
        told = _TOLD.get(name, "The request holds what cannot be read")
        raise UsageError(told, "", "reload the page") from None


def number(value: Any) -> float:
    """Raises UsageError."""
    try:
        out = float(value)
    except (TypeError, ValueError):
        out = float("nan")
    if isinstance(value, bool) or not abs(out) < 1e9:
        raise UsageError("A number cannot be read", str(value)[:20], "give a plain number")
    return out


def query(request: Request, name: str, low: float, high: float, default: float) -> float:
    """A number of the address inside its limits. Raises UsageError."""
    text = request.query_params.get(name)
    if text is None:
        return default
    value = number(text)
    if not low <= value <= high:
        raise UsageError(f"{name} is out of range", text[:20], f"give {low:g} to {high:g}")
    return value


def span(request: Request) -> tuple[float, float]:
    """[start, stop) of the address in s. Raises UsageError."""
    start = query(request, "start", 0, 1e6, 0)
    stop = query(request, "stop", 0, 1e6, 1e6)
    if stop <= start:
        raise UsageError("A span ends before it starts", "", "give a later end than the start")
    return start, stop
