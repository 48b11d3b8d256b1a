"""The review page's server: who it answers, what it keeps, what it never sends."""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import http.client
import json
import re
import socket
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from fake import SHA, FakeBackend, lengthen

from pipeline.analysis.identity.texts import Judged
from pipeline.errors import OutputError
from pipeline.model.decisions import Decisions
from pipeline.review.backend import CaseFile
from pipeline.review.decision_file import DecisionFile
from pipeline.review.decisions import append
from pipeline.review.pages import page_modules
from pipeline.review.payload import page_data
from pipeline.review.serve import bodies
from pipeline.review.serve.run import ReviewServer
from pipeline.stages.texts import ShownText


class Answer(NamedTuple):
    status: int
    headers: dict[str, str]
    body: bytes

    def json(self) -> Any:
        return json.loads(self.body)


class Site:
    """A served fake case and a plain client."""

    def __init__(self, root: Path) -> None:
        self.backend = FakeBackend(root, proxies=False)
        # a proxy with known bytes, for ranges
        path = self.backend.folder / "proxy0.mp4"
        path.write_bytes(bytes(i % 251 for i in range(100_000)))
        self.backend.proxies[0] = path
        self.server = ReviewServer(self.backend, by="AB")
        self.server.start()
        self.case = "/api/case/HL-0142"

    def ask(
        self,
        method: str,
        path: str,
        body: Any = None,
        headers: dict[str, str] | None = None,
        token: bool = True,
    ) -> Answer:
        link = http.client.HTTPConnection("127.0.0.1", self.server.port, timeout=20)
        raw = None if body is None else json.dumps(body).encode()
        own = f"http://127.0.0.1:{self.server.port}"
        send = {"Origin": own, "Content-Type": "application/json"} if method != "GET" else {}
        for name, value in (headers or {}).items():
            if value:
                send[name] = value
            else:
                send.pop(name, None)
        full = (f"/{self.server.token}" if token else "") + path
        link.putrequest(method, full, skip_host="Host" in send)
        for name, value in send.items():
            link.putheader(name, value)
        if raw is not None and "Content-Length" not in send:
            link.putheader("Content-Length", str(len(raw)))
        link.endheaders(raw)
        got = link.getresponse()
        out = Answer(got.status, {k.lower(): v for k, v in got.getheaders()}, got.read())
        link.close()
        return out

    def decide(self, **what: Any) -> Answer:
        what.setdefault("version", self.view()["version"])
        what.setdefault("by", "AB")
        return self.ask("POST", f"{self.case}/decide", what)

    def view(self) -> Any:
        return self.ask("GET", self.case).json()

    def saved(self) -> Decisions:
        return DecisionFile(self.backend.decisions_path("HL-0142"), "HL-0142").load()


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    out = Site(tmp_path)
    yield out
    out.server.stop()


# --- who is answered --------------------------------------------------------------------


def test_only_the_loopback_address_listens(site: Site) -> None:
    assert site.server.socket.getsockname()[0] == "127.0.0.1"
    with socket.socket() as other:  # the rest of 127/8 is loopback too, and must not answer
        other.settimeout(2)
        assert other.connect_ex(("127.0.0.2", site.server.port)) != 0


def test_the_token_is_long_random_and_needed(site: Site, tmp_path: Path) -> None:
    assert len(site.server.token) >= 32
    again = ReviewServer(FakeBackend(tmp_path / "b", proxies=False))
    assert again.token != site.server.token
    again.socket.close()
    assert site.ask("GET", "/").status == 200
    for path in ("/", "/case/HL-0142", "/" + site.server.token[:-1] + "/", "/x/case/HL-0142"):
        answer = site.ask("GET", path, token=False)
        assert answer.status == 404 and b"HL-0142" not in answer.body


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "evil.example:{port}",
        "127.0.0.1",
        "127.0.0.1:1",
        "localhost.evil:{port}",
        "0.0.0.0:{port}",
    ],
)  # DNS rebinding
def test_another_host_name_is_refused(site: Site, host: str) -> None:
    answer = site.ask("GET", "/", headers={"Host": host.format(port=site.server.port)})
    assert answer.status == 421 and b"HL-0142" not in answer.body
    assert site.ask("GET", "/", headers={"Host": f"localhost:{site.server.port}"}).status == 200


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": ""}, 403),
        ({"Origin": "https://127.0.0.1:{port}"}, 403),
        ({"Origin": "http://127.0.0.1:1"}, 403),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
        ({"Content-Type": "text/plain"}, 415),
        ({"Content-Type": "application/x-www-form-urlencoded"}, 415),
        ({"Content-Length": "999999"}, 413),
    ],
)
def test_posts_from_elsewhere_change_nothing(
    site: Site, headers: dict[str, str], status: int
) -> None:
    sent = {k: v.format(port=site.server.port) for k, v in headers.items()}
    body = {"version": 0, "by": "AB", "verb": "accept", "finding": "e0"}
    assert site.ask("POST", f"{site.case}/decide", body, sent).status == status
    assert site.saved().entries == []


def test_a_foreign_page_cannot_embed_data(site: Site) -> None:
    answer = site.ask(
        "GET", site.case, headers={"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"}
    )
    assert answer.status == 403


def test_headers_keep_the_page_to_itself(site: Site) -> None:
    for path in (
        "/",
        "/case/HL-0142",
        "/static/review/main.js",
        site.case,
        "/report/HL-0142",
        "/nothing",
    ):
        headers = site.ask("GET", path).headers
        policy = headers["content-security-policy"]
        assert policy.startswith("default-src 'none'") and "http" not in policy, path
        assert "frame-ancestors 'none'" in policy
        assert headers["referrer-policy"] == "no-referrer"
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cross-origin-resource-policy"] == "same-origin"
        assert "server" not in headers
    assert "unsafe" not in site.ask("GET", "/case/HL-0142").headers["content-security-policy"]


# --- what is never sent -----------------------------------------------------------------


@pytest.mark.parametrize(
    "path",
    [
        "/static/../folder.py",
        "/static/..%2ffolder.py",
        "/static/%2e%2e/folder.py",
        "/static//etc/passwd",
        "/case/../../secret",
        "/case/HL-0142%00",
        "/case/HL-9999",
        "/report/..%2f..",
        "/report/HL-0143/../HL-0142",
        "/proxy/HL-0142/7",
        "/proxy/HL-0142/-1",
        "/proxy/HL-0142/1",
        "/api/case/..%2fHL-0142",
    ],
)
def test_no_path_leaves_the_folder(site: Site, path: str) -> None:
    answer = site.ask("GET", path)
    assert answer.status == 404
    assert b"import" not in answer.body and b"root:" not in answer.body


def test_links_out_of_the_folder_are_not_followed(site: Site, tmp_path_factory: Any) -> None:
    secret = tmp_path_factory.mktemp("elsewhere") / "secret.mp4"
    secret.write_bytes(b"secret")
    inside = site.backend.folder / "proxy1.mp4"
    inside.symlink_to(secret)
    site.backend.proxies[1] = inside
    site.ask("GET", "/case/HL-0142")
    assert site.ask("GET", "/proxy/HL-0142/1").status == 404
    site.backend.proxies[0] = secret
    site.backend.report.unlink()
    site.backend.report.symlink_to(secret)
    site.ask("GET", "/case/HL-0142")
    assert site.ask("GET", "/proxy/HL-0142/0").status == 404
    assert site.ask("GET", "/report/HL-0142").status == 404


def test_a_linked_decisions_file_is_not_written(site: Site, tmp_path_factory: Any) -> None:
    target = tmp_path_factory.mktemp("elsewhere") / "x.json"
    site.backend.decisions_path("HL-0142").symlink_to(target)
    body = {"version": 0, "by": "AB", "verb": "accept", "finding": "e0"}
    assert site.ask("POST", f"{site.case}/decide", body).status == 404
    assert not target.exists()


def test_errors_tell_no_path_and_no_trace(site: Site, monkeypatch: Any) -> None:
    def full(*_: Any) -> None:
        raise OutputError("The disk is full", "/srv/clinic/jane_doe/out.mp4", "free some space")

    monkeypatch.setattr(site.backend, "crop_loss", full)
    body = {"positions": [{"x": 0, "y": 0, "width_ratio": 0.5}]}
    answer = site.ask("POST", f"{site.case}/mark", body)
    assert answer.status == 507 and b"jane" not in answer.body

    def bug(*_: Any) -> None:
        raise RuntimeError("/srv/clinic/jane_doe")

    monkeypatch.setattr(site.backend, "crop_loss", bug)
    answer = site.ask("POST", f"{site.case}/mark", body)
    assert answer.status == 500 and b"jane" not in answer.body and b"Traceback" not in answer.body
    monkeypatch.setattr(site.backend, "preview_sound", bug)
    answer = site.ask("GET", f"{site.case}/sound?start=1&stop=2")
    assert answer.status == 500 and b"jane" not in answer.body


def test_no_hash_of_a_source_and_no_path_in_any_answer(site: Site, tmp_path: Path) -> None:
    site.decide(verb="accept", finding="e0")
    for path in ("/", "/case/HL-0142", site.case, "/api/jobs"):
        body = site.ask("GET", path).body.decode()
        assert str(tmp_path) not in body and "private/" not in body
        for sha in SHA:
            assert sha[:9] not in body


def test_nothing_outside_is_referred_to(site: Site) -> None:
    for path in (
        "/",
        "/case/HL-0142",
        "/static/review/main.js",
        "/static/plots.js",
        "/static/review.css",
        "/static/page.css",
    ):
        body = site.ask("GET", path).body.decode().replace("http://www.w3.org/2000/svg", "")
        assert "http:" not in body and "https:" not in body, path


def test_modules_come_as_scripts_of_this_page_only(site: Site) -> None:
    """A browser runs a module of no other type (HTML standard, 'fetch a single module script')."""
    page = site.ask("GET", "/case/HL-0142").body.decode()
    scripts = re.findall(r"<script\b[^>]*>", page)
    assert scripts and all("src=" in x or 'type="application/json"' in x for x in scripts)
    for name in page_modules():
        answer = site.ask("GET", f"/static/{name}")
        assert answer.status == 200, name
        assert answer.headers["content-type"].startswith("text/javascript"), name
        policy = answer.headers["content-security-policy"]
        assert "script-src 'self'" in policy
    for other in ("review/types.d.ts", "review/panels", "../folder.py", "review/../../folder.py"):
        assert site.ask("GET", f"/static/{other}").status == 404, other


# --- ranges, so that a player can scrub (RFC 9110, section 14) ---------------------------


def test_nothing_of_a_closed_case_is_served(site: Site) -> None:
    """Consent was withdrawn while the page was open: all it still tells is what to take down."""
    site.backend.closed.add("HL-0142")
    served = ["/case/HL-0142", "/report/HL-0142", "/proxy/HL-0142/0", "/api/case/HL-0142"]
    served += [f"/api/case/HL-0142/{part}" for part in ("series", "sound", "frame")]
    for path in served:
        answer = site.ask("GET", path)
        assert answer.status == 403, path
        assert b"was withdrawn" in answer.body, path
    assert site.ask("GET", "/").status == 200


def test_byte_ranges(site: Site) -> None:
    whole = bytes(i % 251 for i in range(100_000))
    site.ask("GET", "/case/HL-0142")
    answer = site.ask("GET", "/proxy/HL-0142/0")
    assert answer.status == 200 and answer.body == whole
    assert answer.headers["accept-ranges"] == "bytes"
    assert answer.headers["content-type"] == "video/mp4"
    answer = site.ask("GET", "/proxy/HL-0142/0", headers={"Range": "bytes=1000-1999"})
    assert answer.status == 206 and answer.body == whole[1000:2000]
    assert answer.headers["content-range"] == "bytes 1000-1999/100000"
    answer = site.ask("GET", "/proxy/HL-0142/0", headers={"Range": "bytes=-500"})
    assert answer.status == 206 and answer.body == whole[-500:]
    answer = site.ask("GET", "/proxy/HL-0142/0", headers={"Range": "bytes=200000-"})
    assert answer.status == 416


# --- deciding ---------------------------------------------------------------------------


def test_a_mark_is_tried_on_the_picture_that_is_shown(site: Site) -> None:
    body = {"positions": [{"x": 0.5, "y": 0, "width_ratio": 0.5}]}
    plain = json.loads(site.ask("POST", f"{site.case}/mark", body).body)
    here = json.loads(site.ask("POST", f"{site.case}/mark", {**body, "at": 3.0}).body)
    assert (plain["visibility"], here["visibility"]) == (8.0, 9.0)
    assert site.ask("POST", f"{site.case}/mark", {**body, "at": "x"}).status == 400


def test_a_rejected_box_is_named_in_the_decision(site: Site) -> None:
    rows = json.loads(site.ask("GET", site.case).body)["findings"]
    found = next(f for f in rows if f["kind"] == "lettering" and f["box"])
    assert site.decide(verb="reject", finding=found["id"]).status == 400
    assert site.decide(verb="reject", finding=found["id"], reason="looks harmless").status == 400
    assert site.saved().entries == []
    site.decide(verb="reject", finding=found["id"], reason=found["reasons"][0])
    assert site.saved().entries[-1].value == {"box_px": found["box"]}
    rows = json.loads(site.ask("GET", site.case).body)["findings"]
    verbs = {f["id"]: f["decision"] and f["decision"]["verb"] for f in rows}
    assert [name for name, verb in verbs.items() if verb == "reject"] == [found["id"]]


def test_a_decision_is_saved_at_once_on_its_source_axis(site: Site) -> None:
    # finding e2 lies in the second recording, 24 s into the case
    answer = site.decide(
        verb="change", finding="e2", value={"start_s": 27.5, "action": "cut"}, reason="late"
    )
    assert answer.status == 200
    entry = site.saved().entries[0]
    assert entry.anchor is not None and entry.anchor.sha256 == SHA[1]
    assert (entry.anchor.start_s, entry.anchor.stop_s) == (3.0, 6.5)
    assert entry.value == {"start_s": 3.5, "stop_s": 6.5, "action": "cut"}
    shown = next(f for f in answer.json()["findings"] if f["id"] == "e2")
    assert (shown["start"], shown["stop"], shown["action"]) == (27.5, 30.5, "cut")
    # a later drag keeps the action, a later action keeps the span
    site.decide(verb="change", finding="e2", value={"stop_s": 29.0})
    shown = next(f for f in site.view()["findings"] if f["id"] == "e2")
    assert (shown["start"], shown["stop"], shown["action"]) == (27.5, 29.0, "cut")
    site.decide(verb="change", finding="e2", value={"action": "freeze"})
    shown = next(f for f in site.view()["findings"] if f["id"] == "e2")
    assert (shown["start"], shown["stop"], shown["action"]) == (27.5, 29.0, "freeze")


def test_undo_and_redo_are_entries(site: Site) -> None:
    site.decide(verb="reject", finding="e0")
    assert site.view()["undo"] == "fog rejected"
    site.decide(verb="undo")
    view = site.view()
    assert view["undo"] is None and view["redo"] == "fog rejected"
    site.decide(verb="redo")
    assert [e.verb for e in site.saved().entries] == ["reject", "undo", "redo"]
    assert (
        next(f for f in site.view()["findings"] if f["id"] == "e0")["decision"]["verb"] == "reject"
    )


def test_of_two_tabs_the_second_is_told(site: Site) -> None:
    assert site.decide(verb="accept", finding="e0", version=0).status == 200
    answer = site.decide(verb="reject", finding="e1", version=0)
    assert answer.status == 409 and "Somebody decided" in answer.json()["what"]
    assert [e.verb for e in site.saved().entries] == ["accept"]
    assert site.decide(verb="reject", finding="e1").status == 200


def test_many_at_once_lose_nothing(site: Site) -> None:
    told: list[int] = []

    def go() -> None:
        told.append(site.decide(verb="accept", finding="e0", version=0).status)

    threads = [threading.Thread(target=go) for _ in range(8)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert sorted(told) == [200] + [409] * 7
    assert len(site.saved().entries) == 1


def test_a_redaction_over_two_recordings_is_anchored_in_each(site: Site) -> None:
    value = {"kind": "lettering", "start_s": 22.0, "stop_s": 26.0, "box_px": [10, 20, 30, 40]}
    assert site.decide(verb="add", value=value).status == 200
    first, second = site.saved().entries
    assert first.anchor is not None and second.anchor is not None
    assert (first.anchor.sha256, first.anchor.start_s, first.anchor.stop_s) == (SHA[0], 22.0, 24.0)
    assert (second.anchor.sha256, second.anchor.start_s, second.anchor.stop_s) == (SHA[1], 0.0, 2.0)
    shown = [f for f in site.view()["findings"] if f["id"].startswith("added-")]
    assert [(f["start"], f["stop"]) for f in shown] == [(22.0, 24.0), (24.0, 26.0)]
    assert site.decide(verb="undo", target=1).status == 200
    assert [f["id"] for f in site.view()["findings"] if f["id"].startswith("added-")] == ["added-2"]


@pytest.mark.parametrize(
    "what",
    [
        {"verb": "accept", "finding": "nothing"},
        {"verb": "accept", "finding": "e0", "by": "not initials"},
        {"verb": "accept", "finding": "e0", "version": "0"},
        {"verb": "accept", "finding": "e0", "version": True},
        {"verb": "change", "finding": "e3", "value": {"action": "keep"}},  # never kept
        {"verb": "change", "finding": "e0", "value": {"start_s": 40}},
        {"verb": "change", "finding": "e0", "value": [1]},
        {"verb": "add", "value": {"kind": "fog", "start_s": 1, "stop_s": 2}},
        {
            "verb": "add",
            "value": {"kind": "face", "start_s": 3, "stop_s": 2, "box_px": [1, 2, 3, 4]},
        },
        {"verb": "undo"},
        {"verb": "undo", "target": 99},
        {"verb": "nonsense"},
        {"verb": "chapter", "value": {"chapters": [[0.0, "\ud800"]]}, "by": "RV"},
        {"verb": "accept", "finding": "e0", "by": "RV", "reason": "\udfff"},
    ],
)
def test_bad_requests_are_answered_and_change_nothing(site: Site, what: dict[str, Any]) -> None:
    answer = site.decide(**{"version": 0, **what})
    assert answer.status == 400, answer.body
    assert answer.json()["what"]
    assert site.saved().entries == []


def resolve(site: Site) -> None:
    for finding in site.view()["findings"]:
        if finding["needs"]:
            assert site.decide(verb="accept", finding=finding["id"]).status == 200


def test_signing_needs_a_resolved_list_and_a_current_plan_and_lapses(site: Site) -> None:
    answer = site.decide(verb="sign", plan=site.view()["plan"])
    assert answer.status == 400 and "left to resolve" in answer.json()["what"]
    resolve(site)
    view = site.view()
    assert not view["current"]
    assert site.decide(verb="sign", plan=view["plan"]).status == 400
    view = site.ask("POST", f"{site.case}/plan", {}).json()
    assert view["current"]
    assert site.decide(verb="sign", plan="00000000").status == 400
    assert site.decide(verb="sign", plan=view["plan"]).status == 200
    given = site.saved().sign_off
    assert given is not None and given.by == "AB" and given.sources == SHA and len(given.plan) == 64
    assert site.view()["current"]  # signing alone does not make the plan old
    assert site.view()["signed"]["by"] == "AB"
    plain = site.backend.load_case
    for other in ({"narration_sha256": "0" * 64}, {"settings_sha256": "0" * 64}):
        site.backend.load_case = lambda c, d, o=other: replace(plain(c, d), **o)  # type: ignore[method-assign,misc]
        assert site.view()["signed"] is None, "given for something else"
    site.backend.load_case = plain  # type: ignore[method-assign]
    site.decide(verb="change", finding="e0", value={"action": "clear"})
    assert site.saved().sign_off is None and site.view()["signed"] is None


def test_a_sign_off_confirms_the_texts_that_the_page_shows(site: Site) -> None:
    read = Judged("title", "Crusts, Berglund <b>", ("Berglund", "<", "b"))
    hidden = Judged("card", "Ber\u200bglund", unseen="U+200B ZERO WIDTH SPACE")
    captions = Judged("captions", "Here is Nowak.\n" * 200, ("Nowak",))
    draft = Judged("captions", "Drafted by a machine\nFog.", drafted=True)
    site.backend.texts = [ShownText(draft)]
    (text,) = site.view()["texts"]  # read whole on the page, whatever its words are
    assert "machine" in text["where"] and "Fog." in text["text"] and text["words"]
    site.backend.texts = [ShownText(read), ShownText(hidden), ShownText(captions, "CD")]
    shown = site.view()["texts"]
    assert [t["where"] for t in shown] == ["title", "card", "captions"]
    assert "Berglund" in shown[0]["text"] and shown[0]["words"][0] == "Berglund"
    assert (shown[1]["text"], shown[1]["unseen"]) == ("", hidden.unseen)
    assert (shown[2]["text"], shown[2]["words"], shown[2]["by"]) == ("", ["Nowak"], "CD")
    assert site.decide(verb="sign", plan=site.view()["plan"]).status == 400
    resolve(site)
    site.ask("POST", f"{site.case}/plan", {})
    assert site.backend.confirmed == []
    assert site.decide(verb="sign", plan=site.view()["plan"], by="A B").status == 400
    assert site.backend.confirmed == []
    assert site.decide(verb="sign", plan=site.view()["plan"]).status == 200
    assert ("HL-0142", read.text, "AB") in site.backend.confirmed


# --- listening, looking -----------------------------------------------------------------


def test_sound_is_made_for_the_part_and_the_settings_on_screen(site: Site) -> None:
    answer = site.ask("GET", f"{site.case}/sound?start=3&stop=5&mixed=1&ducking_depth_lu=20")
    assert answer.status == 200 and answer.headers["content-type"] == "audio/wav"
    start, stop, settings, mixed = site.backend.asked_sound[-1]
    assert (start, stop, mixed) == (3.0, 5.0, True)
    assert settings["ducking_depth_lu"] == 20.0 and settings["duck_fall_s"] == 0.4
    site.decide(verb="mix", value={"duck_fall_s": 0.9})
    site.ask("GET", f"{site.case}/sound?start=3&stop=5&mixed=0")
    assert site.backend.asked_sound[-1][2]["duck_fall_s"] == 0.9
    assert site.backend.asked_sound[-1][3] is False
    for query in (
        "start=3&stop=2",
        "start=0&stop=600",
        "start=a&stop=2",
        "start=0&stop=2&ducking_depth_lu=900",
    ):
        assert site.ask("GET", f"{site.case}/sound?{query}").status == 400


def test_series_come_for_the_part_on_screen(site: Site) -> None:
    data = site.ask("GET", f"{site.case}/series?start=4&stop=6&points=400").json()
    from pipeline.review.series import unpack

    time_s, series = unpack(data["loss"])
    assert time_s[0] >= 3.5 and time_s[-1] <= 6.5 and time_s.size >= 10
    assert series["contrast_loss"].max() > 0.4


# --- renders ----------------------------------------------------------------------------


def wait_for(site: Site, number: int, states: tuple[str, ...], limit_s: float = 15) -> Any:
    until = time.monotonic() + limit_s
    while time.monotonic() < until:
        job = next(j for j in site.ask("GET", "/api/jobs").json()["jobs"] if j["number"] == number)
        if job["state"] in states:
            return job
        time.sleep(0.05)
    raise AssertionError(job)


def test_a_render_works_on_a_frozen_state(site: Site) -> None:
    site.decide(verb="accept", finding="e0")
    job = site.ask("POST", f"{site.case}/render", {"version": 1}).json()
    assert job["version"] == 1
    assert site.ask("POST", f"{site.case}/render", {"version": 1}).status == 400  # one at a time
    assert site.decide(verb="accept", finding="e1").status == 200  # deciding goes on
    done = wait_for(site, job["number"], ("done",))
    assert site.backend.rendered == [1]
    assert done["result"]["checks"][0]["measured"] == "−14.02"
    assert site.ask("POST", f"{site.case}/render", {"version": 1}).status == 409


def test_a_render_is_cancelled_and_a_failure_is_told(site: Site) -> None:
    site.backend.render_s = 5
    job = site.ask("POST", f"{site.case}/render", {"version": 0}).json()
    wait_for(site, job["number"], ("running",))
    assert site.ask("POST", f"/api/jobs/{job['number']}/cancel", {}).status == 200
    wait_for(site, job["number"], ("cancelled",), 5)
    assert site.backend.rendered == []
    site.backend.render_s = 0.1
    site.backend.fail = OutputError("The disk is full", "/srv/jane/x.mp4", "free some space")
    job = site.ask("POST", f"{site.case}/render", {"version": 0}).json()
    failed = wait_for(site, job["number"], ("failed",))
    assert failed["error"]["what"] == "The disk is full" and "jane" not in json.dumps(failed)
    site.backend.fail = RuntimeError("/srv/jane")
    job = site.ask("POST", f"{site.case}/render", {"version": 0}).json()
    assert "jane" not in json.dumps(wait_for(site, job["number"], ("failed",)))
    assert site.ask("POST", "/api/jobs/99/cancel", {}).status == 400


def test_a_recording_lies_on_the_stage_as_it_will_lie_in_the_clip(tmp_path: Path) -> None:
    """In shares of the clip's picture; beyond its edge where the clip is cut out of it."""
    decisions = Decisions(case="HL-0142")
    view = FakeBackend(tmp_path, proxies=False).load_case("HL-0142", decisions)
    one = replace(view.segments[0], width_px=400, height_px=300)
    for placed, shares in (
        ((-100.0, -50.0, 400.0, 300.0), [-0.5, -0.25, 2.0, 1.5]),
        (None, [0.0, 0.13, 1.0, 0.75]),  # the whole of it, in the middle, at an even offset
    ):
        shown = replace(view, canvas=(200, 200), segments=[replace(one, placed=placed)])
        assert page_data(shown, decisions)["segments"][0]["placed"] == pytest.approx(
            shares, abs=0.011
        )


# --- long cases -------------------------------------------------------------------------


def test_the_page_of_an_hour_is_small_and_quick(tmp_path: Path) -> None:
    backend = FakeBackend(tmp_path, proxies=False)
    decisions = Decisions(case="HL-0142")
    view = lengthen(backend.load_case("HL-0142", decisions), hours=1.0)
    many = [
        replace(view.findings[0], id=f"x{i}", start_s=i * 10.0, stop_s=i * 10.0 + 5)
        for i in range(200)
    ]
    view = replace(view, findings=many)
    for i in range(40):
        decisions = append(decisions, seen=i, verb="mix", by="AB", value={"duck_fall_s": 0.5})
    began = time.process_time()
    text = json.dumps(page_data(view, decisions))
    assert time.process_time() - began < 1.0
    page = Path(__file__).parents[2] / "pipeline" / "review"
    own = sum(
        (page / "assets" / n).stat().st_size
        for n in (
            "page.css",
            "review.css",
            "uplot.min.js",
            "uplot.min.css",
            *page_modules(),
        )
    )
    assert own + (page / "templates" / "review.html").stat().st_size + len(text) <= 300_000


# --- restarts, lost answers, people who open an old link ---------------------------------


def test_a_decision_sent_twice_counts_once(site: Site) -> None:
    what = {"verb": "accept", "finding": "e0", "id": "ab" * 12}
    first = site.decide(version=0, **what)
    again = site.decide(version=0, **what)  # the answer to the first was lost on its way
    assert (first.status, again.status) == (200, 200)
    assert again.json()["version"] == 1 and len(site.saved().entries) == 1
    other = site.decide(version=0, verb="accept", finding="e1", id="cd" * 12)
    assert other.status == 409  # another one still meets the newer state
    assert site.decide(verb="accept", finding="e1", id="../x").status == 400


def test_a_redaction_over_two_recordings_sent_twice_counts_once(site: Site) -> None:
    value = {"kind": "speech", "start_s": 20.0, "stop_s": 30.0}
    for _ in range(2):
        assert site.decide(version=0, verb="add", value=value, id="0f" * 12).status == 200
    assert len(site.saved().entries) == 2


def test_undo_of_what_is_no_number_is_refused(site: Site) -> None:
    site.decide(verb="accept", finding="e0")
    for target in ("one", [1], {"a": 1}, True, 1.5):
        answer = site.decide(verb="undo", target=target)
        assert answer.status == 400 and "entry" in answer.json()["what"]
    assert len(site.saved().entries) == 1


def test_the_program_proves_itself_without_its_secret(site: Site) -> None:
    """HMAC-SHA256 (RFC 2104) over what the page drew, with the token as key."""
    nonce = "5a" * 12
    answer = site.ask("GET", f"/hello/{nonce}", token=False)
    want = hmac.new(site.server.token.encode(), nonce.encode(), hashlib.sha256).hexdigest()
    assert answer.status == 200 and answer.body.decode() == want
    assert site.server.token.encode() not in answer.body
    cross = {"Sec-Fetch-Site": "cross-site"}
    assert site.ask("GET", f"/hello/{nonce}", headers=cross, token=False).status == 404
    assert site.ask("GET", "/hello/short", token=False).status == 404


def test_a_person_never_sees_bare_data(site: Site, monkeypatch: Any) -> None:
    opened = {"Accept": "text/html,application/xhtml+xml"}
    for path, token, status in (
        ("/case/HL-0142", False, 404),
        ("/case/HL-9999", True, 404),
        ("/nothing", True, 404),
    ):
        answer = site.ask("GET", path, headers=opened, token=token)
        assert answer.status == status and answer.headers["content-type"].startswith("text/html")
        assert b"<h1>There is nothing here.</h1>" in answer.body
        assert (site.server.token.encode() in answer.body) is token
    monkeypatch.setattr(site.backend, "load_case", lambda *a: 1 / 0)
    answer = site.ask("GET", "/case/HL-0142", headers=opened)
    assert answer.status == 500 and b"<h1>Something went wrong" in answer.body
    assert b"ZeroDivision" not in answer.body


def test_half_open_connections_are_closed(tmp_path: Path, monkeypatch: Any) -> None:
    monkeypatch.setattr(bodies, "REQUEST_S", 0.3)
    site = Site(tmp_path)
    try:
        token = site.server.token.encode()
        line = b"POST /" + token + b"/api/case/HL-0142/decide HTTP/1.1\r\n"
        own = f"127.0.0.1:{site.server.port}".encode()
        head = line + b"Host: " + own + b"\r\nOrigin: http://" + own + b"\r\n"
        slow = head + b"Content-Type: application/json\r\nContent-Length: 50\r\n\r\n{"
        for begun in (b"", line, slow):
            with socket.create_connection(("127.0.0.1", site.server.port), timeout=4) as link:
                link.sendall(begun)
                while link.recv(4096):  # times out, and fails, if it stays open
                    pass
        assert site.ask("GET", "/").status == 200
    finally:
        site.server.stop()


def test_many_half_open_connections_do_not_keep_the_page_from_answering(tmp_path: Path) -> None:
    """Those that have waited longest are closed; the page answers at once."""
    site = Site(tmp_path)
    begun = b"GET / HTTP/1.1\r\n"
    with contextlib.ExitStack() as stack:
        stack.callback(site.server.stop)
        for number in range(450):
            link = socket.create_connection(("127.0.0.1", site.server.port), timeout=4)
            stack.enter_context(link)
            with contextlib.suppress(OSError):
                link.sendall(begun if number % 2 else b"")
            if number % 90 == 89:
                assert site.ask("GET", "/").status == 200, number


def test_only_what_was_made_is_served_and_only_to_the_page(site: Site) -> None:
    clip = site.backend.root / "releases" / "HL-0142" / "HL-0142-web-r1.mp4"
    clip.parent.mkdir(parents=True)
    clip.write_bytes(b"clip")
    place = "releases/HL-0142/HL-0142-web-r1.mp4"
    real = site.backend.load_case
    made = [CaseFile("release", "Released clip", place, clip)]
    site.backend.load_case = lambda c, d: replace(real(c, d), files=made)  # type: ignore[method-assign]
    got = site.ask("GET", f"/file/{place}")
    assert (got.status, got.body, got.headers["content-type"]) == (200, b"clip", "video/mp4")
    assert site.view()["files"][0]["place"] == place
    assert site.ask("GET", f"/file/{place}", token=False).status == 404
    for other in (
        "private/HL-0142/decisions.json",
        "releases/HL-0142/../../private/HL-0142/report.html",
        "releases/HL-0143/HL-0142-web-r1.mp4",
        "releases",
        "",
    ):
        assert site.ask("GET", f"/file/{other}").status == 404


def test_nothing_is_signed_before_the_list_is_there(site: Site) -> None:
    real = site.backend.load_case
    site.backend.load_case = lambda c, d: replace(real(c, d), checklist=())  # type: ignore[method-assign]
    plan = site.view()["plan"]
    answer = site.decide(verb="sign", plan=plan)
    assert answer.status == 400 and "list" in answer.json()["what"]
