"""The local review page: cases of an OUT folder, their findings, people's decisions.

Serves on the loopback address only, under a random token. Requests with another
host name (DNS rebinding) or from another site are refused. No file outside the OUT
folder is sent, nothing is uploaded, and no error tells a path.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import hmac
import json
import logging
import os
import re
import secrets
import socket
import threading
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

from pipeline.errors import FieldstopError, InputError, NeedsPerson, OutputError, UsageError
from pipeline.model.decisions import Anchor, Decisions
from pipeline.review.backend import Backend, CaseView
from pipeline.review.decision_file import DecisionFile
from pipeline.review.decision_values import ADDABLE, MIX_SETTINGS, check_sound, check_value
from pipeline.review.decisions import StaleVersion, append, noted, redo, sign, undo, version
from pipeline.review.laid import lay_over, moved, plan_is_current, source_spans
from pipeline.review.pages import asset, environment, plain, script_json
from pipeline.review.payload import page_data, page_plots, result_data, summary_data
from pipeline.review.plots import KINDS

LOOPBACK = "127.0.0.1"
MAX_BODY_BYTES = 65536
MAX_SOUND_S = 90.0
MAX_CONNECTIONS = 200
REQUEST_S = 15.0  # in which a whole request must come

_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
    "media-src 'self' blob:; connect-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
# The report carries its own policy with hashes; this one only keeps it off the network.
_REPORT_POLICY = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; "
    "img-src data:; media-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_TOLD_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
_HEADERS = {
    "Content-Security-Policy": _POLICY,
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
    "Cache-Control": "no-store",
}
_ASSETS = {
    "page.css": "text/css",
    "review.css": "text/css",
    "uplot.min.css": "text/css",
    "uplot.min.js": "text/javascript",
    "plots.js": "text/javascript",
    "review.js": "text/javascript",
}


_FILE_TYPES = {
    ".mp4": "video/mp4",
    ".jpg": "image/jpeg",
    ".vtt": "text/vtt",
    ".html": "text/html",
}


class Guard:
    """Outermost: body size, host, origin and token are looked at before anything else."""

    def __init__(self, app: ASGIApp, token: str, hosts: frozenset[str]) -> None:
        self.app, self.token, self.hosts = app, token, hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        request = Request(scope)
        refused = self._refusal(request)
        if refused is not None:
            await refused(scope, receive, send)
            return

        async def with_headers(message: Any) -> None:
            if message["type"] == "http.response.start":
                have = {name.lower() for name, _ in message["headers"]}
                for name, value in _HEADERS.items():
                    if name.lower().encode() not in have:
                        message["headers"].append((name.lower().encode(), value.encode()))
            await send(message)

        await self.app(scope, receive, with_headers)

    def _refusal(self, request: Request) -> Response | None:
        hosts = request.headers.getlist("host")
        if len(hosts) != 1 or hosts[0].lower() not in self.hosts:
            return _refuse(421, "This page answers to its own address only")
        first = request.url.path.split("/")[1:2]
        hello = _HELLO.fullmatch(request.url.path)
        if (
            hello
            and request.method == "GET"
            and request.headers.get("sec-fetch-site") in (None, "same-origin")
        ):
            # Proves that it is the program of the page; who listens learns no secret by asking.
            proof = hmac.new(self.token.encode(), hello[1].encode(), hashlib.sha256)
            return Response(proof.hexdigest(), media_type="text/plain", headers=_HEADERS)
        if not first or not hmac.compare_digest(first[0].encode(), self.token.encode()):
            return _refuse(
                404,
                "There is nothing here",
                "open the address that fieldstop review shows" if _navigates(request) else "",
                page=_navigates(request),
            )
        site = request.headers.get("sec-fetch-site")
        writes = request.method not in ("GET", "HEAD")
        if writes:
            origin = request.headers.get("origin")
            if origin is None or origin.lower() != f"http://{hosts[0].lower()}":
                return _refuse(403, "The request came from another site")
            if request.headers.get("content-type", "").split(";")[0] != "application/json":
                return _refuse(415, "Only JSON is taken")
            length = request.headers.get("content-length", "")
            if not length.isdecimal() or int(length) > MAX_BODY_BYTES:
                return _refuse(413, "The request is too large, or does not tell its length")
        if site not in (None, "same-origin", "none") and (
            writes or request.headers.get("sec-fetch-mode") != "navigate"
        ):
            return _refuse(403, "The request came from another site")
        return None


_HELLO = re.compile(r"/hello/([0-9a-f]{16,64})")


def _navigates(request: Request) -> bool:
    """True if a person opens this in a browser, so that a page answers, not data."""
    accepts = request.headers.get("accept", "")
    return request.method == "GET" and "text/html" in accepts.split(",")[0]


def _refuse(status: int, what: str, do: str = "", page: bool = False) -> Response:
    if page:
        return _told(status, what, "", do)
    return JSONResponse({"what": what, "got": "", "do": do}, status, headers=_HEADERS)


def _told(status: int, what: str, got: str, do: str, base: str = "") -> Response:
    """A refusal as a page that a person can read. base: where the page of cases is, if known."""
    text = (
        environment()
        .get_template("told.html")
        .render(
            sentences=[s[:1].upper() + s[1:].rstrip(".") + "." for s in (what, got, do) if s],
            base=base,
        )
    )
    return HTMLResponse(text, status, headers={**_HEADERS, "Content-Security-Policy": _TOLD_POLICY})


@dataclass
class Job:
    """One render: waiting, running, done, failed or cancelled."""

    number: int
    case: str
    decisions: Decisions
    state: str = "waiting"
    share: float = 0.0
    doing: str = ""
    result: dict[str, Any] | None = None
    error: dict[str, str] | None = None
    cancel: threading.Event = field(default_factory=threading.Event)

    def data(self) -> dict[str, Any]:
        return {
            "number": self.number,
            "case": self.case,
            "state": self.state,
            "share": round(self.share, 4),
            "doing": plain(self.doing),
            "result": self.result,
            "error": self.error,
            "version": version(self.decisions),
        }


class Renders:
    """The queue: one render at a time, in a thread of its own."""

    def __init__(self, backend: Backend) -> None:
        self.backend = backend
        self.jobs: list[Job] = []
        self._wake = threading.Condition()
        self._stop = False
        self._thread: threading.Thread | None = None

    def add(self, case: str, decisions: Decisions) -> Job:
        with self._wake:
            if any(j.case == case and j.state in ("waiting", "running") for j in self.jobs):
                raise UsageError(
                    f"{case} is being rendered already", "", "wait for it, or cancel it"
                )
            job = Job(len(self.jobs) + 1, case, decisions.model_copy(deep=True))
            self.jobs.append(job)
            if self._thread is None:
                self._thread = threading.Thread(target=self._work, name="renders", daemon=True)
                self._thread.start()
            self._wake.notify()
        return job

    def cancel(self, number: int) -> Job:
        with self._wake:
            job = next((j for j in self.jobs if j.number == number), None)
            if job is None:
                raise UsageError("There is no such render", str(number), "look at the queue")
            job.cancel.set()
            if job.state == "waiting":
                job.state = "cancelled"
        return job

    def stop(self, wait_s: float = 10.0) -> None:
        """Cancels all; waits for the running one to leave nothing behind."""
        with self._wake:
            self._stop = True
            for job in self.jobs:
                job.cancel.set()
            self._wake.notify()
        if self._thread is not None:
            self._thread.join(wait_s)

    def _next(self) -> Job | None:
        with self._wake:
            while True:
                job = next((j for j in self.jobs if j.state == "waiting"), None)
                if self._stop:
                    return None
                if job is not None:
                    job.state = "running"
                    return job
                self._wake.wait()

    def _work(self) -> None:
        while (job := self._next()) is not None:

            def progress(share: float, doing: str, job: Job = job) -> None:
                job.share, job.doing = min(1.0, max(0.0, share)), doing

            try:
                result = self.backend.render(job.case, job.decisions, progress, job.cancel.is_set)
                job.result = result_data(result)
                job.state = "cancelled" if job.cancel.is_set() else "done"
                job.share = 1.0
            except FieldstopError as error:
                job.error = _error_data(error)
                job.state = "cancelled" if job.cancel.is_set() else "failed"
            except Exception:
                _log.exception("a render failed")
                job.error = dict(_BUG)
                job.state = "failed"


_log = logging.getLogger("fieldstop.review")
_BUG = {
    "what": "Something went wrong inside the program",
    "got": "",
    "do": "try again; if it happens again, report it",
}


def _error_data(error: FieldstopError) -> dict[str, str]:
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


class Review:
    """The application: routes over a backend."""

    def __init__(self, backend: Backend, token: str, by: str = "") -> None:
        self.backend, self.token, self.by = backend, token, by
        self.renders = Renders(backend)
        self.env = environment()
        self._views: dict[str, CaseView] = {}
        self._lock = threading.Lock()

    # --- helpers ---

    def _case(self, request: Request) -> str:
        case = request.path_params["case"]
        if case not in {row.case for row in self.backend.list_cases()}:
            raise HTTPException(404)
        self.backend.check_open(case)
        return str(case)

    def _file(self, case: str) -> DecisionFile:
        return DecisionFile(self._inside(self.backend.decisions_path(case), must=False), case)

    def _inside(self, path: Path, must: bool = True) -> Path:
        """The real path, if it lies in the OUT folder; links are followed first."""
        root = self.backend.root.resolve()
        real = path.resolve()
        if not real.is_relative_to(root) or (must and not real.is_file()):
            raise HTTPException(404)
        return real

    def _view(self, case: str, decisions: Decisions, fresh: bool = False) -> CaseView:
        with self._lock:
            held = self._views.get(case)
        if held is None or fresh:
            held = self.backend.load_case(case, decisions)
            with self._lock:
                self._views[case] = held
        return held

    def _planned(self, case: str, decisions: Decisions) -> CaseView:
        view = self.backend.plan_again(case, decisions)
        with self._lock:
            self._views[case] = view
        return view

    def _page(self, name: str, **values: Any) -> HTMLResponse:
        text = self.env.get_template(name).render(base=f"/{self.token}", **values)
        return HTMLResponse(text)

    # --- pages ---

    async def cases(self, request: Request) -> Response:
        rows = await run_in_threadpool(self.backend.list_cases)
        return self._page("cases.html", cases=[summary_data(r) for r in rows])

    async def case(self, request: Request) -> Response:
        case = await run_in_threadpool(self._case, request)

        def load() -> Response:
            decisions = self._file(case).load()
            data = page_data(self._view(case, decisions, fresh=True), decisions)
            start = {
                "base": f"/{self.token}",
                "looks": {k: v._asdict() for k, v in KINDS.items()},
                "by": self.by,
                "view": data,
                "addable": list(ADDABLE),
            }
            return self._page("review.html", data=data, payload=script_json(start))

        return await run_in_threadpool(load)

    async def static(self, request: Request) -> Response:
        name = request.path_params["name"]
        if name not in _ASSETS:
            raise HTTPException(404)
        return Response(asset(name), media_type=_ASSETS[name])

    async def report(self, request: Request) -> Response:
        case = await run_in_threadpool(self._case, request)

        def find() -> Path:
            view = self._view(case, self._file(case).load())
            if view.report is None:
                raise HTTPException(404)
            return self._inside(view.report)

        path = await run_in_threadpool(find)
        return FileResponse(
            path, media_type="text/html", headers={"Content-Security-Policy": _REPORT_POLICY}
        )

    async def file(self, request: Request) -> Response:
        """One of the files that were made of a case, by its place in the OUT folder."""
        place = str(request.path_params["place"])
        request.path_params["case"] = [*place.split("/"), ""][1]
        case = await run_in_threadpool(self._case, request)

        def find() -> Path:
            view = self._view(case, self._file(case).load(), fresh=True)
            path = next((f.path for f in view.files if f.place == place), None)
            if path is None:
                raise HTTPException(404)
            return self._inside(path)

        path = await run_in_threadpool(find)
        kind = _FILE_TYPES.get(path.suffix)
        if kind is None:
            raise HTTPException(404)
        policy = {"Content-Security-Policy": _REPORT_POLICY} if path.suffix == ".html" else {}
        return FileResponse(path, media_type=kind, headers=policy)

    async def proxy(self, request: Request) -> Response:
        case = await run_in_threadpool(self._case, request)
        number = request.path_params["number"]

        def find() -> Path:
            view = self._view(case, self._file(case).load())
            if not 0 <= number < len(view.segments) or view.segments[number].proxy is None:
                raise HTTPException(404)
            found = view.segments[number].proxy
            assert found is not None
            return self._inside(found)

        return FileResponse(await run_in_threadpool(find), media_type="video/mp4")

    # --- data ---

    async def data(self, request: Request) -> Response:
        case = await run_in_threadpool(self._case, request)

        def load() -> dict[str, Any]:
            decisions = self._file(case).load()
            return page_data(self._view(case, decisions, fresh=True), decisions)

        return JSONResponse(await run_in_threadpool(load))

    async def series(self, request: Request) -> Response:
        case = await run_in_threadpool(self._case, request)
        start, stop = _span(request)
        points = int(_query(request, "points", 100, 4000, 1400))

        def load() -> dict[str, Any]:
            decisions = self._file(case).load()
            laid = lay_over(self._view(case, decisions), decisions)
            plots = page_plots(laid, start_s=start, stop_s=stop, points=points)
            return {name: plot["data"] for name, plot in plots.items()}

        return JSONResponse(await run_in_threadpool(load))

    async def sound(self, request: Request) -> Response:
        case = await run_in_threadpool(self._case, request)
        start, stop = _span(request)
        if stop - start > MAX_SOUND_S:
            raise UsageError(
                "That is too much to listen to at once",
                f"{stop - start:.0f} s",
                f"choose at most {MAX_SOUND_S:g} s",
            )
        mixed = request.query_params.get("mixed", "1") == "1"
        asked = {k: _number(v) for k, v in request.query_params.items() if k in MIX_SETTINGS}

        def make() -> bytes:
            decisions = self._file(case).load()
            laid = lay_over(self._view(case, decisions), decisions)
            settings = {**laid.sound_settings, **check_sound(asked)}
            return self.backend.preview_sound(case, start, stop, settings, mixed)

        return Response(await run_in_threadpool(make), media_type="audio/wav")

    async def frame(self, request: Request) -> Response:
        case = await run_in_threadpool(self._case, request)
        at = _query(request, "at", 0, 1e6, 0)

        def make() -> bytes | None:
            decisions = self._file(case).load()
            laid = lay_over(self._view(case, decisions), decisions)
            return self.backend.finished_frame(case, at, laid.positions)

        picture = await run_in_threadpool(make)
        if picture is None:
            return Response(status_code=204)
        return Response(picture, media_type="image/jpeg")

    async def try_mark(self, request: Request) -> Response:
        case = await run_in_threadpool(self._case, request)
        body = await _body(request)
        value = check_value("mark", None, {"positions": body.get("positions")})
        at = body.get("at")
        time_s = None if at is None else _number(at)
        found = await run_in_threadpool(self.backend.crop_loss, case, value["positions"], time_s)
        return JSONResponse(found)

    # --- decisions ---

    async def decide(self, request: Request) -> Response:
        case = await run_in_threadpool(self._case, request)
        body = await _body(request)

        def work() -> dict[str, Any]:
            file = self._file(case)
            seen, by = _seen(body), str(body.get("by", ""))
            verb: Any = str(body.get("verb", ""))
            reason = str(body.get("reason", ""))
            request_id = _request_id(body)

            def step(document: Decisions) -> Decisions:
                if any(e.request == request_id for e in document.entries if request_id):
                    return document  # sent again because the answer was lost on its way
                return noted(decided(document), document, request_id)

            def decided(document: Decisions) -> Decisions:
                if version(document) != seen:
                    raise StaleVersion(seen, version(document))
                view = self._view(case, document)
                if verb == "undo":
                    target = body.get("target")
                    if target is not None and type(target) is not int:
                        raise UsageError("An entry has no such number", "", "reload the page")
                    return undo(document, seen=seen, by=by, target=target)
                if verb == "redo":
                    return redo(document, seen=seen, by=by)
                if verb == "sign":
                    return self._sign(case, document, body, seen, by)
                value = body.get("value") or {}
                if not isinstance(value, dict):
                    raise UsageError("A decision cannot be read", "value", "send an object")
                if verb == "add":
                    return _add(view, document, body, seen, by, reason)
                anchor = None
                if verb in ("accept", "reject", "change"):
                    anchor, value = _about(view, document, body, dict(value))
                return append(
                    document,
                    seen=seen,
                    verb=verb,
                    by=by,
                    anchor=anchor,
                    value=value,
                    reason=reason,
                )

            document = file.change(step)
            view = self._view(case, document)
            return page_data(view, document)

        return JSONResponse(await run_in_threadpool(work))

    def _sign(
        self, case: str, document: Decisions, body: dict[str, Any], seen: int, by: str
    ) -> Decisions:
        view = self._view(case, document)
        if not plan_is_current(view, document) or str(body.get("plan", "")) != view.plan_sha256[:8]:
            raise UsageError(
                "Your last decisions are not worked in yet",
                "",
                "wait a moment, look at the list, then sign off",
            )
        if not view.checklist:
            raise UsageError(
                "The list of what could identify someone is not there yet", "",
                "wait a moment, look at it, then sign off",
            )  # fmt: skip
        left = [f for f, _ in lay_over(view, document).findings if f.needs_person]
        if left:
            raise UsageError(
                "There are findings left to settle", str(len(left)), "decide on each, then sign off"
            )
        signed = sign(
            document,
            seen=seen,
            by=by,
            sources=view.sources,
            surveys=view.surveys,
            settings=view.settings_sha256,
            plan=view.plan_sha256,
            narration=view.narration_sha256,
        )
        self.backend.confirm_texts(case, view, by)
        return signed

    async def plan(self, request: Request) -> Response:
        case = await run_in_threadpool(self._case, request)
        await _body(request)

        def work() -> dict[str, Any]:
            decisions = self._file(case).load()
            return page_data(self._planned(case, decisions), decisions)

        return JSONResponse(await run_in_threadpool(work))

    # --- renders ---

    async def render(self, request: Request) -> Response:
        case = await run_in_threadpool(self._case, request)
        body = await _body(request)

        def work() -> dict[str, Any]:
            decisions = self._file(case).load()
            if version(decisions) != _seen(body):
                raise StaleVersion(_seen(body), version(decisions))
            return self.renders.add(case, decisions).data()

        return JSONResponse(await run_in_threadpool(work))

    async def jobs(self, request: Request) -> Response:
        return JSONResponse({"jobs": [j.data() for j in self.renders.jobs[-20:]]})

    async def cancel(self, request: Request) -> Response:
        await _body(request)
        return JSONResponse(self.renders.cancel(request.path_params["number"]).data())

    # --- the whole ---

    def app(self, hosts: frozenset[str]) -> ASGIApp:
        t = "/" + self.token

        @contextlib.asynccontextmanager
        async def lifespan(app: Starlette) -> AsyncIterator[None]:
            yield
            await run_in_threadpool(self.renders.stop)

        def get(path: str, call: Callable[[Request], Awaitable[Response]]) -> Route:
            return Route(t + path, call, methods=["GET"])

        def post(path: str, call: Callable[[Request], Awaitable[Response]]) -> Route:
            return Route(t + path, call, methods=["POST"])

        inner = Starlette(
            routes=[
                get("/", self.cases),
                get("/case/{case}", self.case),
                get("/static/{name}", self.static),
                get("/report/{case}", self.report),
                get("/file/{place:path}", self.file),
                get("/proxy/{case}/{number:int}", self.proxy),
                get("/api/case/{case}", self.data),
                get("/api/case/{case}/series", self.series),
                get("/api/case/{case}/sound", self.sound),
                get("/api/case/{case}/frame", self.frame),
                post("/api/case/{case}/mark", self.try_mark),
                post("/api/case/{case}/decide", self.decide),
                post("/api/case/{case}/plan", self.plan),
                post("/api/case/{case}/render", self.render),
                get("/api/jobs", self.jobs),
                post("/api/jobs/{number:int}/cancel", self.cancel),
            ],
            exception_handlers={
                FieldstopError: _known,
                HTTPException: _http,
                Exception: _bug,
            },
            lifespan=lifespan,
        )
        return Guard(inner, self.token, hosts)


def _about(
    view: CaseView, document: Decisions, body: dict[str, Any], value: dict[str, Any]
) -> tuple[Anchor, dict[str, Any]]:
    """The anchor of a finding, and a span given in case time moved to its source."""
    name = str(body.get("finding", ""))
    rows = [f for f, _ in lay_over(view, document).findings if f.id == name]
    base = next((f for f in view.findings if f.id == name), rows[0] if rows else None)
    if base is None:
        raise UsageError("The finding is not there any more", "", "look at the newer state")
    if body.get("verb") == "reject" and not base.rejectable:
        raise UsageError(
            "That cannot be rejected here",
            base.kind.replace("_", " "),
            "accept it, or ask for a new survey",
        )
    if body.get("verb") in ("accept", "reject") and base.box_px is not None:
        value["box_px"] = list(base.box_px)
    if "action" in value and value["action"] not in base.actions:
        raise UsageError(
            "That cannot be done about it", str(value["action"])[:20], ", ".join(base.actions)
        )
    if "start_s" in value or "stop_s" in value:
        shown = rows[0] if rows else base
        start = _number(value.get("start_s", shown.start_s))
        stop = _number(value.get("stop_s", shown.stop_s))
        if not 0 <= start < stop <= view.duration_s + 0.5:
            raise UsageError(
                "A span does not fit the case", f"{start:.1f} to {stop:.1f} s", "keep it inside"
            )
        value.update(moved(base, start, stop))
    if rows and value:  # what an earlier change said stays, unless this one says otherwise
        if "action" not in value and rows[0].action != base.action:
            value["action"] = rows[0].action
        if "start_s" not in value and (rows[0].start_s, rows[0].stop_s) != (
            base.start_s,
            base.stop_s,
        ):
            value.update(moved(base, rows[0].start_s, rows[0].stop_s))
    return base.anchor, value


def _add(
    view: CaseView, document: Decisions, body: dict[str, Any], seen: int, by: str, reason: str
) -> Decisions:
    """A redaction over a span of case time: one entry for each source that it touches."""
    value = body.get("value")
    if not isinstance(value, dict):
        raise UsageError("A redaction cannot be read", "value", "send kind, start_s, stop_s, box")
    kind = str(value.get("kind", ""))
    start, stop = _number(value.get("start_s")), _number(value.get("stop_s"))
    anchors = source_spans(view, start, stop, kind)
    if stop <= start or not anchors:
        raise UsageError(
            "A redaction has no span", f"{start:.1f} to {stop:.1f} s", "give a span of the case"
        )
    rest = {} if kind == "speech" else {"box_px": value.get("box_px")}
    for anchor in anchors:
        document = append(
            document, seen=seen, verb="add", by=by, anchor=anchor, value=rest, reason=reason
        )
        seen = version(document)
    return document


async def _body(request: Request) -> dict[str, Any]:
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
    except (ValueError, RecursionError):
        raise UsageError("The request is no JSON", "", "reload the page") from None
    if not isinstance(data, dict):
        raise UsageError("The request is no JSON object", "", "reload the page")
    return data


def _seen(body: dict[str, Any]) -> int:
    seen = body.get("version")
    if isinstance(seen, bool) or not isinstance(seen, int):
        raise UsageError("The request does not tell which state it saw", "", "reload the page")
    return seen


def _request_id(body: dict[str, Any]) -> str | None:
    value = body.get("id")
    if value is not None and not (
        isinstance(value, str) and re.fullmatch(r"[0-9a-f]{16,64}", value)
    ):
        raise UsageError("The request has no usable id", "", "reload the page")
    return value


def _number(value: Any) -> float:
    try:
        out = float(value)
    except (TypeError, ValueError):
        out = float("nan")
    if isinstance(value, bool) or not abs(out) < 1e9:
        raise UsageError("A number cannot be read", str(value)[:20], "give a plain number")
    return out


def _query(request: Request, name: str, low: float, high: float, default: float) -> float:
    text = request.query_params.get(name)
    if text is None:
        return default
    value = _number(text)
    if not low <= value <= high:
        raise UsageError(f"{name} is out of range", text[:20], f"give {low:g} to {high:g}")
    return value


def _span(request: Request) -> tuple[float, float]:
    start = _query(request, "start", 0, 1e6, 0)
    stop = _query(request, "stop", 0, 1e6, 1e6)
    if stop <= start:
        raise UsageError("A span ends before it starts", "", "give a later end than the start")
    return start, stop


async def _known(request: Request, error: Exception) -> Response:
    assert isinstance(error, FieldstopError)
    data = _error_data(error)
    if _navigates(request):
        return _told(_status(error), data["what"], data["got"], data["do"], _base(request))
    return JSONResponse(data, _status(error))


def _base(request: Request) -> str:
    return "/" + request.url.path.split("/")[1]


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    words = {404: "There is nothing here", 405: "That cannot be done here"}
    what = words.get(error.status_code, "The request was refused")
    if _navigates(request):
        return _told(error.status_code, what, "", "go back to the list of cases", _base(request))
    close = {"Connection": "close"} if error.status_code == 408 else None
    return JSONResponse({"what": what, "got": "", "do": ""}, error.status_code, headers=close)


async def _bug(request: Request, error: Exception) -> Response:
    if _navigates(request):
        return _told(500, _BUG["what"], "", _BUG["do"], _base(request))
    return JSONResponse(_BUG, 500, headers=_HEADERS)


# --- running it --------------------------------------------------------------------------


def is_free(port: int) -> bool:
    """True if a port of the loopback address can be listened on."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as trial:
        trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            trial.bind((LOOPBACK, port))
        except OSError:
            return False
    return True


def free_port() -> int:
    """A random free port below those that the system hands out by itself."""
    for _ in range(200):
        port = 20000 + secrets.randbelow(12000)
        if is_free(port):
            return port
    raise OutputError("No port is free", "", "give one with --port")


class _Impatient(H11Protocol):
    """A connection that does not bring a whole request in time is closed."""

    _waiting: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        self._look()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self._look()

    def connection_lost(self, exc: Exception | None) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
        super().connection_lost(exc)

    def _look(self) -> None:
        working = self.cycle is not None and not self.cycle.response_complete
        if working and self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None
        elif not working and self._waiting is None:
            self._waiting = self.loop.call_later(REQUEST_S, self.transport.close)


class ReviewServer:
    """The page on a port of the loopback address (0: any free one), in a thread of its own.

    `address` is what the browser opens; it holds the token.
    """

    def __init__(
        self, backend: Backend, *, port: int = 0, by: str = "", token: str | None = None
    ) -> None:
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            self.socket.bind((LOOPBACK, port))
        except OSError as error:
            self.socket.close()
            raise OutputError(
                "The port cannot be used", os.strerror(error.errno or 0), "give another with --port"
            ) from error
        self.port = int(self.socket.getsockname()[1])
        self.token = token or secrets.token_urlsafe(24)
        self.review = Review(backend, self.token, by)
        hosts = frozenset(f"{name}:{self.port}" for name in (LOOPBACK, "localhost"))
        self.address = f"http://{LOOPBACK}:{self.port}/{self.token}/"
        self._server = uvicorn.Server(
            uvicorn.Config(
                self.review.app(hosts),
                http=_Impatient,
                limit_concurrency=MAX_CONNECTIONS,
                log_level="error",
                access_log=False,
                server_header=False,
                timeout_graceful_shutdown=3,
                lifespan="on",
            )
        )
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Serves in a thread; returns when the page can be opened."""
        self._thread = threading.Thread(target=self.run, name="review", daemon=True)
        self._thread.start()
        limit = time.monotonic() + 10
        while not self._server.started:
            if time.monotonic() > limit or not self._thread.is_alive():
                raise OutputError("The page could not be served", "", "try again")
            time.sleep(0.01)

    def run(self) -> None:
        """Serves until `stop`, or, in the main thread, until the process is interrupted."""
        asyncio.run(self._server.serve(sockets=[self.socket]))

    def stop(self) -> None:
        self._server.should_exit = True
        if self._thread is not None:
            self._thread.join(15)
        self.socket.close()
