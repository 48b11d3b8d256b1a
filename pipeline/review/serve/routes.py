"""The local review page: cases of an OUT folder, their findings, people's decisions.

No file outside the OUT folder is sent, nothing is uploaded, and no error tells a path.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from pipeline.errors import FieldstopError, UsageError
from pipeline.model.decisions import Decisions
from pipeline.review.backend import Backend, CaseView
from pipeline.review.decision_file import DecisionFile
from pipeline.review.decision_values import MIX_SETTINGS, check_sound, check_value
from pipeline.review.decisions import StaleVersion, noted, version
from pipeline.review.laid import lay_over
from pipeline.review.pages import asset, environment, page_modules, script_json
from pipeline.review.payload import page_data, page_plots, summary_data
from pipeline.review.serve.answers import REPORT_POLICY, bug_answer, http_answer, known_answer
from pipeline.review.serve.bodies import (
    Body,
    Decide,
    Seen,
    TryMark,
    number,
    query,
    read_body,
    span,
)
from pipeline.review.serve.deciding import decided
from pipeline.review.serve.guard import Guard
from pipeline.review.serve.jobs import Renders
from pipeline.review.words import start_words

MAX_SOUND_S = 90.0
_ASSETS = {
    "page.css": "text/css",
    "review.css": "text/css",
    "uplot.min.css": "text/css",
    "uplot.min.js": "text/javascript",
    **dict.fromkeys(page_modules(), "text/javascript"),
}
_FILE_TYPES = {
    ".mp4": "video/mp4",
    ".jpg": "image/jpeg",
    ".vtt": "text/vtt",
    ".html": "text/html",
}


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
                "by": self.by,
                "view": data,
                **start_words(),
            }
            return self._page(
                "review.html", data=data, payload=script_json(start), modules=page_modules()
            )

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
            path, media_type="text/html", headers={"Content-Security-Policy": REPORT_POLICY}
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
        policy = {"Content-Security-Policy": REPORT_POLICY} if path.suffix == ".html" else {}
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
        start, stop = span(request)
        points = int(query(request, "points", 100, 4000, 1400))

        def load() -> dict[str, Any]:
            decisions = self._file(case).load()
            laid = lay_over(self._view(case, decisions), decisions)
            plots = page_plots(laid, start_s=start, stop_s=stop, points=points)
            return {name: plot["data"] for name, plot in plots.items()}

        return JSONResponse(await run_in_threadpool(load))

    async def sound(self, request: Request) -> Response:
        case = await run_in_threadpool(self._case, request)
        start, stop = span(request)
        if stop - start > MAX_SOUND_S:
            raise UsageError(
                "That is too much to listen to at once",
                f"{stop - start:.0f} s",
                f"choose at most {MAX_SOUND_S:g} s",
            )
        mixed = request.query_params.get("mixed", "1") == "1"
        asked = {k: number(v) for k, v in request.query_params.items() if k in MIX_SETTINGS}

        def make() -> bytes:
            decisions = self._file(case).load()
            laid = lay_over(self._view(case, decisions), decisions)
            settings = {**laid.sound_settings, **check_sound(asked)}
            return self.backend.preview_sound(case, start, stop, settings, mixed)

        return Response(await run_in_threadpool(make), media_type="audio/wav")

    async def frame(self, request: Request) -> Response:
        case = await run_in_threadpool(self._case, request)
        at = query(request, "at", 0, 1e6, 0)

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
        body = await read_body(request, TryMark)
        value = check_value("mark", None, {"positions": body.positions})
        found = await run_in_threadpool(self.backend.crop_loss, case, value["positions"], body.at)
        return JSONResponse(found)

    # --- decisions ---

    async def decide(self, request: Request) -> Response:
        case = await run_in_threadpool(self._case, request)
        body = await read_body(request, Decide)

        def step(document: Decisions) -> Decisions:
            if any(e.request == body.id for e in document.entries if body.id):
                return document  # sent again because the answer was lost on its way
            if version(document) != body.version:
                raise StaleVersion(body.version, version(document))
            view = self._view(case, document)
            after = decided(view, document, body)
            if body.verb == "sign":
                self.backend.confirm_texts(case, view, body.by)
            return noted(after, document, body.id)

        def work() -> dict[str, Any]:
            document = self._file(case).change(step)
            return page_data(self._view(case, document), document)

        return JSONResponse(await run_in_threadpool(work))

    async def plan(self, request: Request) -> Response:
        case = await run_in_threadpool(self._case, request)
        await read_body(request, Body)

        def work() -> dict[str, Any]:
            decisions = self._file(case).load()
            return page_data(self._planned(case, decisions), decisions)

        return JSONResponse(await run_in_threadpool(work))

    # --- renders ---

    async def render(self, request: Request) -> Response:
        case = await run_in_threadpool(self._case, request)
        body = await read_body(request, Seen)

        def work() -> dict[str, Any]:
            decisions = self._file(case).load()
            if version(decisions) != body.version:
                raise StaleVersion(body.version, version(decisions))
            return self.renders.add(case, decisions).data()

        return JSONResponse(await run_in_threadpool(work))

    async def jobs(self, request: Request) -> Response:
        return JSONResponse({"jobs": [j.data() for j in self.renders.jobs[-20:]]})

    async def cancel(self, request: Request) -> Response:
        await read_body(request, Body)
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
                get("/static/{name:path}", self.static),
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
                FieldstopError: known_answer,
                HTTPException: http_answer,
                Exception: bug_answer,
            },
            lifespan=lifespan,
        )
        return Guard(inner, self.token, hosts)
