"""Answers of the local page: headers and policies of all, refusals as data or as a page to read."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response

from pipeline.errors import FieldstopError, InputError, NeedsPerson, OutputError
from pipeline.review.decisions import StaleVersion
from pipeline.review.pages import environment, plain

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
    "media-src 'self' blob:; connect-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
# The report carries its own policy with hashes; this one only keeps it off the network.
REPORT_POLICY = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; "
    "img-src data:; media-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_TOLD_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
    "Cache-Control": "no-store",
}


def navigates(request: Request) -> bool:
    """True if a person opens this in a browser, so that a page answers, not data."""
    accepts = request.headers.get("accept", "")
    return request.method == "GET" and "text/html" in accepts.split(",")[0]


def refuse(status: int, what: str, do: str = "", page: bool = False) -> Response:
    if page:
        return told(status, what, "", do)
    return JSONResponse({"what": what, "got": "", "do": do}, status, headers=HEADERS)


def told(status: int, what: str, got: str, do: str, base: str = "") -> Response:
    """A refusal as a page that a person can read. base: where the page of cases is, if known."""
    text = (
        environment()
        .get_template("told.html")
        .render(
            sentences=[s[:1].upper() + s[1:].rstrip(".") + "." for s in (what, got, do) if s],
            base=base,
        )
    )
    return HTMLResponse(text, status, headers={**HEADERS, "Content-Security-Policy": _TOLD_POLICY})


BUG = {
    "what": "Something went wrong inside the program",
    "got": "",
    "do": "try again; if it happens again, report it",
}


def error_data(error: FieldstopError) -> dict[str, str]:
    return {k: plain(v) for k, v in error.as_dict().items()}


def _status(error: FieldstopError) -> int:
    if isinstance(error, StaleVersion):
        return 409
    if isinstance(error, OutputError):
        return 507
    if isinstance(error, InputError):
        return 422
    if isinstance(error, NeedsPerson):
        return 403
    return 400


async def known_answer(request: Request, error: Exception) -> Response:
    assert isinstance(error, FieldstopError)
    data = error_data(error)
    if navigates(request):
        return told(_status(error), data["what"], data["got"], data["do"], _base(request))
    return JSONResponse(data, _status(error))


def _base(request: Request) -> str:
    return "/" + request.url.path.split("/")[1]


async def http_answer(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    words = {404: "There is nothing here", 405: "That cannot be done here"}
    what = words.get(error.status_code, "The request was refused")
    if navigates(request):
        return told(error.status_code, what, "", "go back to the list of cases", _base(request))
    close = {"Connection": "close"} if error.status_code == 408 else None
    return JSONResponse({"what": what, "got": "", "do": ""}, error.status_code, headers=close)


async def bug_answer(request: Request, error: Exception) -> Response:
    if navigates(request):
        return told(500, BUG["what"], "", BUG["do"], _base(request))
    return JSONResponse(BUG, 500, headers=HEADERS)
