"""Outermost of the local page: who asks, from where, how much.

Served is under a random token only. Requests with another host name (DNS rebinding) or
from another site are refused.
"""

from __future__ import annotations

import hashlib
import hmac
import re
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

from pipeline.review.serve.answers import HEADERS, navigates, refuse

MAX_BODY_BYTES = 65536
_HELLO = re.compile(r"/hello/([0-9a-f]{16,64})")


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
                for name, value in HEADERS.items():
                    if name.lower().encode() not in have:
                        message["headers"].append((name.lower().encode(), value.encode()))
            await send(message)

        await self.app(scope, receive, with_headers)

    def _refusal(self, request: Request) -> Response | None:
        hosts = request.headers.getlist("host")
        if len(hosts) != 1 or hosts[0].lower() not in self.hosts:
            return refuse(421, "This page answers to its own address only")
        first = request.url.path.split("/")[1:2]
        hello = _HELLO.fullmatch(request.url.path)
        if (
            hello
            and request.method == "GET"
            and request.headers.get("sec-fetch-site") in (None, "same-origin")
        ):
            # Proves that it is the program of the page; who listens learns no secret by asking.
            proof = hmac.new(self.token.encode(), hello[1].encode(), hashlib.sha256)
            return Response(proof.hexdigest(), media_type="text/plain", headers=HEADERS)
        if not first or not hmac.compare_digest(first[0].encode(), self.token.encode()):
            return refuse(
                404,
                "There is nothing here",
                "open the address that fieldstop review shows" if navigates(request) else "",
                page=navigates(request),
            )
        site = request.headers.get("sec-fetch-site")
        writes = request.method not in ("GET", "HEAD")
        if writes:
            origin = request.headers.get("origin")
            if origin is None or origin.lower() != f"http://{hosts[0].lower()}":
                return refuse(403, "The request came from another site")
            if request.headers.get("content-type", "").split(";")[0] != "application/json":
                return refuse(415, "Only JSON is taken")
            length = request.headers.get("content-length", "")
            if not length.isdecimal() or int(length) > MAX_BODY_BYTES:
                return refuse(413, "The request is too large, or does not tell its length")
        if site not in (None, "same-origin", "none") and (
            writes or request.headers.get("sec-fetch-mode") != "navigate"
        ):
            return refuse(403, "The request came from another site")
        return None
