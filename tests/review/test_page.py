"""The review page in a real browser: every job that it is for, by mouse and by keyboard.

Most run with the slow tests: a browser takes a second or two of CPU for each.
"""

from __future__ import annotations

import io
import os
import re
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fake import FakeBackend, lengthen, make_proxy
from PIL import Image

from pipeline.analysis.identity.texts import Judged
from pipeline.model.decisions import Decisions
from pipeline.review.backend import CaseFile, CaseView
from pipeline.review.case import found
from pipeline.review.decision_file import DecisionFile
from pipeline.review.serve.run import ReviewServer
from pipeline.stages.texts import ShownText


@pytest.fixture(scope="module")
def proxies(tmp_path_factory: Any) -> list[Path]:
    path = tmp_path_factory.mktemp("proxies") / "proxy.mp4"
    make_proxy(path, 24.0, 0)
    return [path, path]


class Desk:
    """A served case with pages open on it."""

    def __init__(self, browser: Any, root: Path, proxies: list[Path], by: str = "AB") -> None:
        self.browser, self.root, self.proxies, self.by = browser, root, proxies, by
        self.backend = FakeBackend(root, proxies=proxies)
        self.server = ReviewServer(self.backend, by=by)
        self.server.start()
        self.context = browser.new_context(viewport={"width": 1280, "height": 720})
        self.problems: list[str] = []

    def open(self, path: str = "case/HL-0142") -> Any:
        page = self.context.new_page()
        hello = f"http://127.0.0.1:{self.server.port}/hello/"
        page.on("pageerror", lambda e: self.problems.append(str(e)))
        page.on("console", lambda m: self.problems.append(m.text) if m.type == "error" else None)
        page.on(
            "request",
            lambda r: (
                self.problems.append(r.url)
                if not r.url.startswith((self.server.address, hello, "data:", "blob:"))
                else None
            ),
        )
        page.goto(self.server.address + path)
        if path.startswith("case"):
            until(page, "document.body.dataset.ready && window.Review")
        return page

    def saved(self) -> Decisions:
        return DecisionFile(self.backend.decisions_path("HL-0142"), "HL-0142").load()

    def wait(self, check: Callable[[], Any], limit_s: float = 8.0) -> Any:
        until = time.monotonic() + limit_s
        page = self.context.pages[0]
        while not (got := check()):
            assert time.monotonic() < until, "nothing came of it"
            page.wait_for_timeout(40)
        return got

    def entries(self, count: int) -> list[Any]:
        self.wait(lambda: len(self.saved().entries) >= count)
        entries = self.saved().entries
        assert len(entries) == count
        return entries

    def close(self) -> None:
        self.context.close()
        self.server.stop()


@pytest.fixture
def desk(chromium: Any, tmp_path: Path, proxies: list[Path]) -> Iterator[Desk]:
    out = Desk(chromium, tmp_path, proxies)
    yield out
    out.close()
    assert out.problems == []


@pytest.mark.slow
def test_a_reason_is_asked_for_where_one_counts_and_the_mark_is_as_tall_as_it_will_be(
    desk: Desk,
) -> None:
    """What is black in any case is neither let through nor changed."""
    plain = desk.backend.load_case

    def black(case: str, decisions: Decisions) -> CaseView:
        view = plain(case, decisions)
        return replace(
            view, findings=[replace(f, rejectable=False, actions=()) for f in view.findings]
        )

    desk.backend.load_case = black  # type: ignore[method-assign]
    page = desk.open()
    assert page.locator("#accept").count() == 1 and page.locator("#reason").count() == 0
    em, wide = page.evaluate(
        "(t => [parseFloat(t.style.fontSize), +t.getAttribute('textLength')])"
        "(document.querySelector('text.marktext'))"
    )
    # Capitals stand 0.64 to 0.75 em tall in common faces (common practice, no source).
    assert 0.64 <= wide * 0.09 / 0.6 / em <= 1.0, "the place is 0.6 by 0.09 radii"


def until(page: Any, expression: str, limit_s: float = 10.0) -> None:
    """Polls from outside: the page's policy forbids what the driver's own waiting does."""
    stop = time.monotonic() + limit_s
    while not page.evaluate(expression):
        assert time.monotonic() < stop, expression
        page.wait_for_timeout(30)


def now(page: Any) -> float:
    return float(page.evaluate("Review.now"))


def shown_frame(page: Any) -> int:
    """The number of the frame on screen: where the moving bar is."""
    column = page.evaluate(
        """() => { const v = document.querySelector('video.on');
        const c = document.createElement('canvas');
        c.width = 480; c.height = 270;
        const x = c.getContext('2d'); x.drawImage(v, 0, 0, 480, 270);
        const d = x.getImageData(0, 266, 480, 1).data;
        let best = 0, at = 0;
        for (let i = 0; i < 476; i++) { let s = 0; for (let k = 0; k < 4; k++) s += d[4 * (i + k)];
          if (s > best) { best = s; at = i; } }
        return at; }"""
    )
    return round(column / 2)


def settled(page: Any) -> None:
    until(
        page,
        "() => { const v = document.querySelector('video.on');"
        " return v && v.readyState >= 2 && !v.seeking && !v.busy && v.want === undefined; }",
    )


def test_the_list_of_cases_leads_to_a_case(desk: Desk) -> None:
    page = desk.open("")
    assert "Needs a person" in page.inner_text("table") and "Released" in page.inner_text("table")
    page.click("text=HL-0142")
    until(page, "window.Review")
    assert page.inner_text("#count") == "8 in all, 3 to resolve"
    assert page.locator("#findings li").first.get_attribute("class").startswith("needs")


def test_choosing_a_finding_shows_it(desk: Desk) -> None:
    page = desk.open()
    page.click("[data-finding=e2]")  # fog in the second recording, from 27 s
    assert 27.0 <= now(page) < 30.5
    low, high = page.evaluate("Review.plots.loss.range")
    assert low < 27.0 and high > 30.5 and high - low < 20
    assert page.evaluate("Review.plots.gain.range") == [low, high]
    assert "0.44 lost" in page.inner_text("#panel")
    settled(page)
    assert abs(shown_frame(page) - round((now(page) - 24.0) * 25)) <= 1


@pytest.mark.slow
def test_the_worst_first_and_back(desk: Desk) -> None:
    """By button and by key; what needs a person stays on top, N goes down the list as shown."""
    page = desk.open()
    told = "[...document.querySelectorAll('#findings button')].map(b => b.dataset.finding)"
    in_time = page.evaluate(told)
    page.keyboard.press("w")
    lost = page.evaluate("Object.fromEntries(Review.view.findings.map(f => [f.id, f.lost]))")
    needs = page.evaluate("Review.view.findings.filter(f => f.needs).map(f => f.id)")
    # 3 s of all of the picture; 5 s of .3, 6 s of .2, 3.5 s of .2 of it
    assert [(i, lost[i]) for i in page.evaluate(told)[len(needs) :]] == [
        ("e3", pytest.approx(3.0)), ("e0", pytest.approx(1.5)), ("e1", pytest.approx(1.2)),
        ("e2", pytest.approx(0.7)), ("a0", None),
    ]  # fmt: skip
    assert page.evaluate(told)[: len(needs)] == needs
    page.click("[data-finding=e3]")
    page.keyboard.press("n")
    assert page.locator("[aria-current=true]").get_attribute("data-finding") == "e0"
    assert "as if 1.5 s of picture were missing" in page.inner_text("#panel")
    page.keyboard.press("a")  # told anew, the list stays as it was ordered
    desk.entries(1)
    assert page.evaluate(told)[3:5] == ["e3", "e0"]
    page.locator("#worst").focus()
    page.keyboard.press("Enter")
    assert page.locator("#worst").get_attribute("aria-pressed") == "false"
    assert page.evaluate(told) == in_time


def test_step_scrub_and_play(desk: Desk) -> None:
    page = desk.open()
    page.evaluate("Review.seek(5.0)")
    settled(page)
    first = shown_frame(page)
    assert first == 125
    page.click("#fore")
    settled(page)
    assert shown_frame(page) == 126
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("ArrowLeft")
    settled(page)
    assert shown_frame(page) == 124
    page.locator("#scrub").evaluate(
        "e => { e.value = 9; e.dispatchEvent(new Event('input', {bubbles: true})); }"
    )
    settled(page)
    assert shown_frame(page) == 225
    page.click("#play")
    page.wait_for_timeout(700)
    page.keyboard.press("Tab")
    page.click("#play")
    assert 9.2 < now(page) < 12.0
    assert page.evaluate("Review.playing") is False


@pytest.mark.slow
def test_the_picture_goes_on_into_the_next_recording(desk: Desk) -> None:
    page = desk.open()
    page.evaluate("Review.seek(23.7)")
    settled(page)
    page.click("#play")
    desk.wait(lambda: now(page) > 24.3)
    page.click("#play")
    settled(page)
    assert abs(shown_frame(page) - round((now(page) - 24.0) * 25)) <= 2


@pytest.mark.slow
def test_scrubbing_keeps_up(desk: Desk) -> None:
    """Asked for 30 pictures a second; a browser without a graphics card shows what it can."""
    page = desk.open()
    page.evaluate("Review.seek(1.0)")
    settled(page)
    asked, shown, took = page.evaluate(
        """async () => { const v = document.querySelector('video.on');
        let shown = 0, n = 0;
        v.addEventListener('seeked', () => shown++);
        const t0 = performance.now();
        for (; n < 60; n++) { Review.seek(1 + n * 0.3 % 20);
          await new Promise(r => setTimeout(r, 33)); }
        return [n, shown, (performance.now() - t0) / 1000]; }"""
    )
    print(f"{shown / took:.1f} pictures a second of {asked / took:.1f} asked for")
    assert shown >= 20  # two shared cores, no graphics card; the last one always comes
    settled(page)


def test_deciding_by_mouse(desk: Desk) -> None:
    page = desk.open()
    page.click("[data-finding=e0]")
    page.fill("#reason", "narrator explains it")
    page.click("#reject")
    entry = desk.entries(1)[0]
    assert (entry.verb, entry.by, entry.reason) == ("reject", "AB", "narrator explains it")
    page.wait_for_selector(".rejected [data-finding=e0]")
    page.click("[data-finding=e1]")
    page.select_option("#action", "clear")
    assert desk.entries(2)[1].value == {"action": "clear"}
    page.click("#undo")
    page.click("#redo")
    assert [e.verb for e in desk.entries(4)] == ["reject", "change", "undo", "redo"]
    until(page, "Review.view.current")


def test_the_end_of_an_event_is_dragged_and_moved_by_key(desk: Desk) -> None:
    page = desk.open()
    page.click("[data-finding=e0]")  # 4 to 9 s
    handle = page.locator(".handle[data-end=stop]")
    box = handle.bounding_box()
    low, high = page.evaluate("Review.plots.loss.range")
    width = page.evaluate("Review.plots.loss.u.over.clientWidth")
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 30, y, steps=4)
    page.mouse.up()
    value = desk.entries(1)[0].value
    assert value["stop_s"] == pytest.approx(9 + 30 * (high - low) / width, abs=0.05)
    assert value["start_s"] == 4.0
    until(page, "Review.view.version === 1")
    handle = page.locator(".handle[data-end=start]")
    handle.focus()
    assert handle.get_attribute("role") == "slider"
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowRight")
    value = desk.entries(2)[1].value
    assert value["start_s"] == pytest.approx(5.1, abs=1e-3)
    assert handle.get_attribute("aria-valuetext") == "0:05.1"


def test_the_mark_is_dragged_with_live_numbers_and_moved_by_key(desk: Desk) -> None:
    page = desk.open()
    page.click("#tab-mark")
    until(page, "document.querySelector('#markfound').textContent.includes('Crop loss')")
    before = page.inner_text("#markfound")
    box = page.locator("[data-mark='1']").bounding_box()
    stage = page.locator("#over").bounding_box()
    radius = 341 * stage["width"] / 1280
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 0.3 * radius, y + 0.2 * radius, steps=6)
    desk.wait(lambda: page.inner_text("#markfound") != before)  # while it is still held
    assert desk.saved().entries == []
    page.mouse.up()
    places = desk.entries(1)[0].value["positions"]
    assert places[1]["x"] == pytest.approx(0.62, abs=0.01)
    assert places[1]["y"] == pytest.approx(0.5, abs=0.01)
    assert places[0] == {"x": -0.35, "y": -0.35, "angle_deg": 0.0, "width_ratio": 0.6}
    until(page, "Review.view.version === 1")
    page.locator("[data-mark='0']").focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowDown")
    places = desk.entries(2)[1].value["positions"]
    assert (places[0]["x"], places[0]["y"]) == (pytest.approx(-0.34), pytest.approx(-0.25))
    page.click("#undo")
    until(page, "Math.abs(Review.view.mark.positions[0].x + 0.35) < 1e-6")


def test_listening_a_and_b(desk: Desk) -> None:
    page = desk.open()
    page.click("[data-finding=e0]")
    page.click("[data-hear=mixed]")
    until(page, "Review.heard && !Review.ears.mixed.paused")
    assert float(page.evaluate("Review.heard.ms")) < 1000
    low, high = page.evaluate("Review.plots.loss.range")
    mixed = [a for a in desk.backend.asked_sound if a[3]]
    raw = [a for a in desk.backend.asked_sound if not a[3]]
    assert mixed[0][0] >= low - 0.01 and mixed[0][1] <= high + 0.01
    assert raw[0][:2] == mixed[0][:2]
    assert page.evaluate("[Review.ears.mixed.muted, Review.ears.raw.muted]") == [False, True]
    at = float(page.evaluate("Review.ears.mixed.currentTime"))
    page.keyboard.press("b")  # switched while it plays, at the same moment
    assert page.evaluate("[Review.ears.mixed.muted, Review.ears.raw.muted]") == [True, False]
    a, b = page.evaluate("[Review.ears.mixed.currentTime, Review.ears.raw.currentTime]")
    assert abs(a - b) < 0.1 and a >= at
    page.click("#play")
    assert page.evaluate("Review.playing") is False
    # unsaved settings are heard before they are saved
    page.click("#tab-sound")
    page.fill("[data-sound=ducking_depth_lu]", "20")
    page.click("#panel >> text=Hear as mixed")
    desk.wait(lambda: [a for a in desk.backend.asked_sound if a[2]["ducking_depth_lu"] == 20.0])
    page.click("[data-hear=off]")
    page.click("#savesound")
    assert desk.entries(1)[0].value == {"ducking_depth_lu": 20.0}


def test_two_tabs_the_second_is_told_and_nothing_is_lost(desk: Desk) -> None:
    one, two = desk.open(), desk.open()
    one.click("[data-finding=e0]")
    one.click("#accept")
    desk.entries(1)
    two.click("[data-finding=e1]")
    two.click("#reject")
    two.wait_for_selector("#notice:not([hidden])")
    assert "another tab" in two.inner_text("#notice")
    assert len(desk.saved().entries) == 1
    assert two.evaluate("Review.view.version") == 1  # it shows the newer state
    two.click("#notice >> text=Save mine too")
    assert [e.verb for e in desk.entries(2)] == ["accept", "reject"]
    # the browser itself logs the refused request; that is not a fault of the page
    desk.problems = [p for p in desk.problems if "409" not in p]


@pytest.mark.slow
def test_a_plan_that_comes_late_takes_nothing_back(desk: Desk, monkeypatch: Any) -> None:
    """While the first decision is worked in, a second one is saved; then comes the old answer."""
    page = desk.open()
    begun, plain = threading.Event(), desk.backend.plan_again

    def slow(case: str, decisions: Decisions) -> CaseView:
        view = plain(case, decisions)
        begun.set()
        time.sleep(1.5)
        return view

    monkeypatch.setattr(desk.backend, "plan_again", slow)
    page.click("[data-finding=e0]")
    page.click("#accept")
    desk.entries(1)
    desk.wait(begun.is_set)
    page.click("[data-finding=e1]")
    page.click("#accept")
    desk.entries(2)
    until(page, "Review.view.version === 2")
    page.wait_for_timeout(1800)
    assert page.evaluate("Review.view.version") == 2
    page.keyboard.press("u")
    assert [e.verb for e in desk.entries(3)] == ["accept", "accept", "undo"]
    assert page.locator("#notice").is_hidden()


@pytest.mark.slow
def test_a_redaction_is_drawn_and_taken_back(desk: Desk) -> None:
    page = desk.open()
    page.evaluate("Review.seek(12.0)")
    page.click("#tab-redact")
    stage = page.locator("#over").bounding_box()
    k = stage["width"] / 1280
    page.mouse.move(stage["x"] + 500 * k, stage["y"] + 300 * k)
    page.mouse.down()
    page.mouse.move(stage["x"] + 700 * k, stage["y"] + 400 * k, steps=5)
    page.mouse.up()
    page.click("#addbox")
    entry = desk.entries(1)[0]
    assert entry.anchor.kind == "lettering" and entry.anchor.start_s == pytest.approx(12.0)
    assert entry.value["box_px"] == pytest.approx([500, 300, 200, 100], abs=4)
    page.click("[data-finding=added-1]")
    page.click("text=Take it back")
    assert desk.entries(2)[1].target == 1
    until(page, "!document.querySelector('[data-finding=added-1]')")


@pytest.mark.slow
def test_chapters(desk: Desk) -> None:
    page = desk.open()
    page.evaluate("Review.seek(10.0)")
    page.click("#tab-chapters")
    page.fill("#newchapter", "Crusts lifted")
    page.click("#addchapter")
    assert desk.entries(1)[0].value["chapters"][1] == [10.0, "Crusts lifted"]
    page.fill("[aria-label='Title of the chapter at 0:00.0']", "Left, before")
    page.keyboard.press("Tab")
    assert desk.entries(2)[1].value["chapters"][0] == [0.0, "Left, before"]
    page.click("[aria-label='Remove the chapter at 0:10.0']")
    assert len(desk.entries(3)[2].value["chapters"]) == 2


def test_from_opening_to_a_signed_plan_by_keyboard_alone(desk: Desk) -> None:
    """No mouse. Under 2 minutes of work for a 10-minute case is the goal: count the keys."""
    desk.backend.texts = [ShownText(Judged("title", "Crusts, <b>Nowak", ("Nowak",)))]
    page = desk.open()
    keys = 0

    def press(key: str) -> None:
        nonlocal keys
        keys += 1
        page.keyboard.press(key)

    for count in range(1, 4):  # what is to resolve stands first
        press("n") if page.evaluate("!Review.view.findings[0].needs") else None
        first = page.evaluate("Review.view.findings.findIndex(f => f.needs)")
        assert first >= 0
        name = page.evaluate(f"Review.view.findings[{first}].id")
        while page.locator("[aria-current=true]").get_attribute("data-finding") != name:
            press("p")
        press("a")
        desk.entries(count)
        until(page, f"Review.view.version === {count}")
    press("6")
    assert "title: \u201cCrusts, <b>Nowak\u201d (Nowak)" in page.inner_text("#texts li.warn")
    for _ in range(12):
        press("Tab")
        if page.evaluate("document.activeElement.id") == "looked":
            break
        if page.evaluate("Boolean(document.activeElement.closest('#texts'))"):
            assert page.locator("#approve").is_disabled()  # each text is ticked by itself
            press("Space")
    press("Space")
    press("Tab")
    assert page.evaluate("document.activeElement.id") == "approve"
    press("Enter")
    desk.wait(lambda: desk.saved().sign_off)
    assert desk.saved().sign_off.by == "AB"  # type: ignore[union-attr]
    assert [text for _, text, _ in desk.backend.confirmed] == ["Crusts, <b>Nowak"]
    until(page, "document.querySelector('#state').textContent.includes('signed off')")
    assert keys < 40


# Keystroke-level model: Card, Moran and Newell, 'The keystroke-level model for user performance
# time with interactive systems', CACM 23(7), 1980: a key 0.2 s, a mental preparation 1.35 s.
KEY_S, MENTAL_S = 0.2, 1.35


@pytest.mark.slow
def test_ten_minutes_are_signed_off_in_under_two_minutes_of_work(
    chromium: Any, tmp_path: Path, proxies: list[Path]
) -> None:
    """A 10-minute case with 12 findings to resolve: each is looked at, one is rejected, one event
    is shortened, the ducking is listened to and made deeper, then all is signed off. By keyboard
    alone. The model counts keys, decisions and 10 s of listening; not how long a person looks at
    each finding, and not the machine.
    """
    desk = Desk(chromium, tmp_path, proxies)
    try:
        desk.backend.length_s = 300.0
        plain = desk.backend.load_case

        def busy(case: str, decisions: Decisions) -> CaseView:
            view = plain(case, decisions)
            kind = next(f for f in view.findings if f.kind == "undecided")
            for n in range(12 - sum(f.needs_person for f in view.findings)):
                at = 30.0 + 25.0 * n
                anchor = kind.anchor.model_copy(update={"start_s": at, "stop_s": at + 4.0})
                view.findings = [
                    *view.findings,
                    replace(kind, id=f"more{n}", start_s=at, stop_s=at + 4.0, anchor=anchor),
                ]
            return view

        desk.backend.load_case = busy  # type: ignore[method-assign]
        page = desk.open()
        began, keys, thoughts, heard_s = time.monotonic(), 0, 0, 0.0

        def press(*names: str) -> None:
            """One thing a person decides to do, in these keys."""
            nonlocal keys, thoughts
            thoughts += 1
            for name in names:
                keys += 1
                page.keyboard.press(name)

        def tab_to(wanted: str) -> None:
            """By the keyboard alone; every key is counted."""
            nonlocal keys
            for _ in range(40):
                keys += 1
                page.keyboard.press("Tab")
                if page.evaluate(f"document.activeElement.matches('{wanted}')"):
                    return
            raise AssertionError(f"{wanted} is not reached by the keyboard")

        def saved(count: int) -> None:
            desk.wait(lambda: len(desk.saved().entries) >= count)
            until(page, f"Review.view.version >= {count}", 30.0)

        done = 0
        def go_to(wanted: str) -> None:
            order = page.evaluate("Review.view.findings.map(f => f.id)")
            shown = page.locator("[aria-current=true]").get_attribute("data-finding")
            steps = order.index(wanted) - order.index(shown)
            for _ in range(abs(steps)):
                press("n" if steps > 0 else "p")
            assert page.locator("[aria-current=true]").get_attribute("data-finding") == wanted

        while page.evaluate("Review.view.findings.some(f => f.needs)"):
            if not page.evaluate(
                "Review.view.findings.find(f => f.id === document.querySelector("
                "'[aria-current=true]').dataset.finding).needs"
            ):
                press("s")
            wanted = page.locator("[aria-current=true]").get_attribute("data-finding")
            assert page.evaluate(f"Review.view.findings.find(f => f.id === '{wanted}').needs")
            thoughts += 1  # looks at it
            press("r" if done == 4 and "more" in wanted else "a")
            if page.evaluate("document.activeElement.id === 'reason'"):
                for key in ("ArrowDown", "Escape", "r"):  # the reason is asked for first
                    press(key)
            done += 1
            saved(done)
        assert done == 12
        go_to(page.evaluate("Review.view.findings.find(f => f.kind === 'fog').id"))
        press("Shift+ArrowRight")
        press("[")  # the fog starts later than was found
        saved(13)
        press("m")
        until(page, "Review.playing && Boolean(Review.heard)")
        thoughts += 1
        heard_s += 10.0  # listens
        press("b")
        press("Space")
        press("3")
        tab_to("[data-sound=ducking_depth_lu]")
        press("Control+a", "1", "8")
        tab_to("#savesound")
        press("Enter")
        saved(14)
        press("6")
        tab_to("#looked")
        press("Space", "Tab", "Enter")
        desk.wait(lambda: desk.saved().sign_off)
        driven_s = time.monotonic() - began
        person_s = keys * KEY_S + thoughts * MENTAL_S + heard_s
        print(f"{keys} keys, {thoughts} decisions: {person_s:.0f} s of a person; "
              f"driven in {driven_s:.1f} s of this machine")  # fmt: skip
        assert person_s < 120
        assert desk.saved().sign_off.by == "AB"  # type: ignore[union-attr]
    finally:
        desk.close()
    assert desk.problems == []


@pytest.mark.slow
def test_without_initials_nothing_is_saved(
    chromium: Any, tmp_path: Path, proxies: list[Path]
) -> None:
    desk = Desk(chromium, tmp_path, proxies, by="")
    try:
        page = desk.open()
        page.click("[data-finding=e0]")
        page.click("#accept")
        assert "initials" in page.inner_text("#notice")
        assert page.evaluate("document.activeElement.id") == "by"
        page.keyboard.type("cd")
        page.click("#accept")
        assert desk.entries(1)[0].by == "cd"
    finally:
        desk.close()


@pytest.mark.slow
def test_render_from_the_page_cancel_and_the_frozen_state(desk: Desk) -> None:
    desk.backend.render_s = 3.0
    page = desk.open()
    page.click("#tab-render")
    page.click("#render")
    page.wait_for_selector("#cancel")
    page.wait_for_selector("progress")
    page.click("[data-finding=e0]")
    page.click("#accept")
    desk.entries(1)
    page.click("#tab-render")
    page.wait_for_selector("text=decisions made since then are not in it")
    page.click("#cancel")
    page.wait_for_selector("text=Cancelled")
    assert desk.backend.rendered == []
    desk.backend.render_s = 0.3
    page.click("#render")
    page.wait_for_selector("text=A draft was kept.")
    assert page.locator("#panel .good", has_text="✓ passed").count() == 2
    assert desk.backend.rendered == [1]


@pytest.mark.slow
def test_the_finished_picture(desk: Desk) -> None:
    page = desk.open()
    # until it is there it says so, and the small copy, which bears no mark, is covered; it may be
    # there at once
    page.evaluate(
        "() => { const p = document.querySelector('#making'); window.said = [];"
        " new MutationObserver(() => window.said.push(p.checkVisibility()))"
        ".observe(p, { attributes: true }); }"
    )
    page.keyboard.press("v")
    until(
        page,
        "() => { const i = document.querySelector('#finished');"
        " return !i.hidden && i.naturalWidth === 480; }",
    )
    assert page.evaluate("window.said.includes(true)")
    assert not page.locator("#making").is_visible()
    assert page.locator("#over .field-edge").count() == 0
    page.keyboard.press("v")
    assert page.locator("#over .field-edge").count() > 0


@pytest.mark.slow
def test_after_a_killed_server_the_page_goes_on_by_itself_and_loses_nothing(desk: Desk) -> None:
    page = desk.open()
    page.click("[data-finding=e0]")
    page.click("#accept")
    desk.entries(1)
    until(page, "Review.view.version === 1 && Review.view.current")
    port, token = desk.server.port, desk.server.token
    desk.server.stop()
    page.click("#reject")
    page.wait_for_selector("#notice >> text=One decision is kept here")
    page.click("[data-finding=e1]")
    page.click("#accept")
    page.wait_for_timeout(300)
    assert len(desk.saved().entries) == 1
    desk.server = ReviewServer(desk.backend, port=port, token=token, by="AB")
    desk.server.start()
    entries = desk.entries(3)
    assert [e.verb for e in entries] == ["accept", "reject", "accept"]
    until(page, "Review.view.version === 3 && document.querySelector('#notice').hidden")
    # what waited also outlives the page itself
    desk.server.stop()
    page.click("[data-finding=e2]")
    page.click("#accept")
    page.wait_for_selector("#notice >> text=One decision is kept here")
    desk.server = ReviewServer(desk.backend, port=port, token=token, by="AB")
    page.evaluate("location.reload()")
    desk.server.start()
    assert desk.entries(4)[3].verb == "accept"
    desk.problems = [p for p in desk.problems if "ERR_" not in p]


@pytest.mark.slow
def test_after_a_change_while_zoomed_plots_stay_together_and_say_the_new_depth(desk: Desk) -> None:
    page = desk.open()
    page.click("[data-finding=e0]")
    page.evaluate("Review.seek(6)")
    shown = page.evaluate("Review.plots.loss.range")
    page.click("#tab-sound")
    page.fill("[data-sound=ducking_depth_lu]", "25")
    page.click("#savesound")
    desk.entries(1)
    until(page, "Review.view.current && Review.view.version === 1")
    until(page, "Review.plots.difference.spec.limits[0].at === 25")
    assert "25" in page.evaluate("Review.plots.difference.spec.limits[0].name")
    page.wait_for_timeout(400)
    for name in ("loss", "difference", "gain"):
        assert page.evaluate(f"Review.plots.{name}.range") == shown
        scale = page.evaluate(f"(({{min, max}}) => [min, max])(Review.plots.{name}.u.scales.x)")
        assert scale == pytest.approx(shown)
        at = page.evaluate(
            f"Review.plots.{name}.u.posToVal(new DOMMatrix(getComputedStyle("
            f"Review.plots.{name}.needle).transform).e, 'x')"
        )
        assert at == pytest.approx(6, abs=0.05)


@pytest.mark.slow
def test_keys_pressed_too_fast_decide_once(desk: Desk) -> None:
    page = desk.open()
    page.click("[data-finding=e0]")
    page.keyboard.down("a")
    for _ in range(4):
        page.keyboard.down("a")  # held: the browser repeats it
    page.keyboard.up("a")
    page.keyboard.press("a")
    desk.entries(1)
    page.locator("#accept").focus()
    for _ in range(3):
        page.keyboard.down("Enter")
    page.keyboard.up("Enter")
    page.wait_for_timeout(200)
    desk.entries(1)
    # a rejection and its undo at once: the undo waits for what it takes back
    page.keyboard.press("r")
    page.keyboard.press("u")
    entries = desk.entries(3)
    assert [e.verb for e in entries] == ["accept", "reject", "undo"] and entries[2].target == 2
    page.keyboard.press("?")
    for key in ("a", "r", "u", "]"):
        page.keyboard.press(key)
    page.keyboard.press("Escape")
    page.wait_for_timeout(200)
    desk.entries(3)
    assert not page.locator("#help").evaluate("e => e.open")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kept_why", "words"),
    [
        (found.BLACK_ANYWAY, "outside the field"), (found.SOUND_REPLACED, "sound is damaged"),
        (found.LOOKED_AT, "a look"),
    ],
)  # fmt: skip
def test_a_rejection_that_cannot_be_says_why(desk: Desk, kept_why: str, words: str) -> None:
    """What is black in any case, what is replaced in any case, and what a person must look at."""
    plain = desk.backend.load_case

    def kept(case: str, decisions: Decisions) -> CaseView:
        view = plain(case, decisions)
        rows = [replace(f, rejectable=False, kept=kept_why, actions=()) for f in view.findings]
        return replace(view, findings=rows)

    desk.backend.load_case = kept  # type: ignore[method-assign]
    page = desk.open()
    page.click("[data-finding=e0]")
    page.keyboard.press("r")
    said = page.inner_text("#notice")
    assert "cannot be rejected" in said and words in said and "ccept it" in said, said
    desk.entries(0)


@pytest.mark.slow
def test_a_change_of_mind_is_sent_however_fast_the_keys_follow(desk: Desk) -> None:
    """What waits to be sent is later than what the page shows: no key is measured by that."""
    page = desk.open()
    page.click("[data-finding=e0]")
    page.keyboard.press("a")
    page.keyboard.press("u")  # nothing to undo is shown yet
    page.keyboard.press("a")
    page.keyboard.press("r")
    page.keyboard.press("a")
    desk.entries(5)
    until(page, "Review.view.version === 5")
    page.keyboard.press("r")
    page.keyboard.press("a")  # shown as accepted, but a rejection waits
    page.keyboard.press("u")
    page.keyboard.press("u")
    verbs = ["accept", "undo", "accept", "reject", "accept", "reject", "accept", "undo", "undo"]
    assert [e.verb for e in desk.entries(9)] == verbs
    until(page, "Review.view.version === 9")
    page.keyboard.press("a")
    page.wait_for_timeout(200)
    desk.entries(9)  # already accepted


@pytest.mark.slow
def test_a_ready_clip_that_this_page_cannot_sign_is_not_denied(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A clip of another profile, or older than a decision, is listed under Render."""
    plain = desk.backend.load_case
    ready = CaseFile("ready", "Ready clip", "private/x-lecture-ready.mp4", Path("x.mp4"))

    def load(case: str, decisions: Decisions) -> CaseView:
        view = plain(case, decisions)
        view.files = [ready]
        return view

    page = desk.open()
    page.click("#tab-sign")
    assert "No clip is waiting to be looked at." in page.inner_text("#panel")
    monkeypatch.setattr(desk.backend, "load_case", load)
    page = desk.open()
    page.click("#tab-sign")
    said = page.inner_text("#panel")
    assert "another profile" in said and "No clip is waiting" not in said


@pytest.mark.slow
def test_a_field_is_left_by_enter_and_escape_and_keeps_what_is_typed(desk: Desk) -> None:
    page = desk.open()
    for key in ("Enter", "Escape"):
        page.locator("#by").focus()
        page.keyboard.press(key)
        assert page.evaluate("document.activeElement.id") != "by"
    page.click("[data-finding=e0]")
    page.fill("#reason", "the lens was wiped")
    page.evaluate("Review.refresh()")  # as it comes by itself while the page waits for more
    assert page.input_value("#reason") == "the lens was wiped"
    page.locator("#reason").focus()
    page.keyboard.press("Enter")
    page.keyboard.press("a")
    assert desk.entries(1)[0].reason == "the lens was wiped"


def disc(width: int, height: int) -> Any:
    """A bright disc in the middle of a black picture, (row, col, 3) uint8."""
    row, col = np.mgrid[:height, :width] + 0.5
    lit = np.hypot(row - height / 2, col - width / 2) < 0.4 * min(width, height)
    return np.repeat((lit * 255).astype(np.uint8)[..., None], 3, axis=2)


def lit_size(page: Any) -> tuple[int, int]:
    """Width and height in pixels of what is bright on the stage."""
    picture = Image.open(io.BytesIO(page.locator("#stage").screenshot())).convert("L")
    lit = np.asarray(picture)[3:-3, 3:-3] > 128  # without the edge, where the page shows through
    return int(lit.any(axis=0).sum()), int(lit.any(axis=1).sum())


@pytest.mark.parametrize(
    ("width", "height"),
    [
        (240, 180),
        pytest.param(180, 180, marks=pytest.mark.slow),
        pytest.param(180, 320, marks=pytest.mark.slow),
    ],
)
def test_pictures_keep_their_shape(
    chromium: Any, tmp_path: Path, width: int, height: int, monkeypatch: Any
) -> None:
    """A 4:3, a square and an upright recording: the round field is round, marked or not."""
    import av

    path = tmp_path / "disc.mp4"
    with av.open(str(path), "w") as box:
        stream = box.add_stream("libx264", rate=25)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        for _ in range(5):
            box.mux(stream.encode(av.VideoFrame.from_ndarray(disc(width, height))))
        box.mux(stream.encode())
    desk = Desk(chromium, tmp_path / "out", [path, path])
    real = desk.backend.load_case

    def shaped(case: str, decisions: Decisions) -> CaseView:
        view = real(case, decisions)
        field = view.segments[0].fields[0].model_copy(
            update={
                "center_x_px": width * 2, "center_y_px": height * 2, "shape": "circle",
                "radius_px": 1.6 * min(width, height), "left_px": 0, "top_px": 0,
                "right_px": width * 4, "bottom_px": height * 4,
            }
        )  # fmt: skip
        own = {"width_px": 4 * width, "height_px": 4 * height, "fields": [field]}
        return replace(view, segments=[replace(s, **own) for s in view.segments])

    out = io.BytesIO()
    Image.fromarray(disc(width, height)).save(out, "PNG")
    monkeypatch.setattr(desk.backend, "load_case", shaped)
    monkeypatch.setattr(desk.backend, "finished_frame", lambda *a: out.getvalue())
    try:
        page = desk.open()
        settled(page)
        page.locator("#over").evaluate("e => { e.style.visibility = 'hidden'; }")
        wide, tall = lit_size(page)
        assert wide > 60 and abs(wide - tall) <= 2
        page.locator("#over").evaluate("e => { e.style.visibility = ''; }")
        edge = page.locator("#over circle").first.bounding_box()
        assert abs(edge["width"] - edge["height"]) < 2 and abs(edge["width"] - wide) < 6
        page.click("#asfinished")
        until(page, "!document.querySelector('#finished').hidden")
        wide, tall = lit_size(page)
        assert wide > 60 and abs(wide - tall) <= 2
        overflow = "document.documentElement.scrollWidth - innerWidth"
        page.locator("#plots .plot-difference h3").evaluate(
            "e => { e.textContent = 'Narration over background: at least 15 LU in 98.9 % of it'; }"
        )
        whole = (
            "[...document.querySelectorAll('#plots .readout.keys')]"
            ".every(e => e.children.length && e.scrollWidth <= e.clientWidth)"
        )
        for across, down in ((390, 800), (1024, 768)):
            page.set_viewport_size({"width": across, "height": down})
            until(page, overflow + " <= 0")
            assert page.evaluate(whole), "all that the strokes mean can be read"
        plots = page.locator("#plots .plot-difference").bounding_box()
        assert plots["y"] + plots["height"] <= 768  # above the fold
        assert desk.problems == []
    finally:
        desk.close()


@pytest.mark.slow
def test_keys_are_listed_and_can_be_switched_off(desk: Desk) -> None:
    """WCAG 2.2 SC 2.1.4: single-key shortcuts can be turned off."""
    page = desk.open()
    page.keyboard.press("?")
    assert page.locator("#help").evaluate("e => e.open")
    page.uncheck("#single")
    page.keyboard.press("Escape")
    page.keyboard.press("a")
    page.wait_for_timeout(250)
    assert desk.saved().entries == []
    page.keyboard.press("Tab")  # the page is still usable with Tab and Enter
    page.locator("[data-finding=e0]").focus()
    page.keyboard.press("Enter")
    page.locator("#accept").focus()
    page.keyboard.press("Enter")
    desk.entries(1)


@pytest.mark.slow
def test_the_focus_is_seen(desk: Desk) -> None:
    page = desk.open()
    seen = set()
    for _ in range(60):
        page.keyboard.press("Tab")
        what = page.evaluate(
            """() => { const e = document.activeElement, s = getComputedStyle(e), d = e.dataset;
            return [e.id || d.finding || d.hear || d.end || e.className || e.tagName,
              s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 2]; }"""
        )
        if what[0] != "BODY":
            assert what[1], what
        seen.add(what[0])
    assert {
        "play",
        "scrub",
        "keys",
        "accept",
        "e0",
        "mixed",
        "start",
        "stop",
    } <= seen


@pytest.mark.slow
def test_an_hour_opens_in_time(chromium: Any, tmp_path: Path, proxies: list[Path]) -> None:
    """Goal: under 1.5 s for 60 minutes, and at most 300 kB without media."""
    desk = Desk(chromium, tmp_path, proxies)
    try:
        view = lengthen(desk.backend.load_case("HL-0142", Decisions(case="HL-0142")), 1.0)
        desk.backend.load_case = lambda case, decisions: view  # type: ignore[method-assign]
        page = desk.context.new_page()
        sizes: list[int] = []
        page.on(
            "response",
            lambda r: (
                sizes.append(len(r.body()))
                if "/proxy/" not in r.url and "data:" not in r.url
                else None
            ),
        )
        meter = desk.context.new_cdp_session(page)
        meter.send("Performance.enable", {"timeDomain": "threadTicks"})
        began = time.process_time()
        page.goto(desk.server.address + "case/HL-0142", wait_until="commit")
        until(page, "document.body && document.body.dataset.ready > 0")
        served = time.process_time() - began  # with this test's own work
        metrics = {m["name"]: m["value"] for m in meter.send("Performance.getMetrics")["metrics"]}
        wall = float(page.evaluate("document.body.dataset.ready")) / 1000
        drawn = metrics["TaskDuration"]
        print(f"CPU: served {served:.2f} s, drawn {drawn:.2f} s; ready after {wall:.2f} s")
        assert sum(sizes) <= 300_000
        assert served + drawn < 1.5  # processor time: a shared machine's wall clock tells little
        assert page.evaluate("Review.plots.loss.time.length") <= 1400
        page.evaluate("Review.plots.loss.show(1800, 1830)")
        until(page, "Review.plots.loss.time[0] > 1790")  # finer series for the part
        assert page.evaluate("Review.plots.loss.time.length") > 200
    finally:
        desk.close()


@pytest.mark.slow
@pytest.mark.parametrize(("scheme", "width", "height"), [("light", 1280, 720), ("dark", 820, 1180)])
def test_axe_finds_no_violation(
    chromium: Any, tmp_path: Path, proxies: list[Path], scheme: str, width: int, height: int
) -> None:
    """axe-core (MPL-2.0) is not in the repository; AXE_CORE names its axe.min.js."""
    axe = os.environ.get("AXE_CORE", "")
    if not axe or not Path(axe).is_file():
        message = "set AXE_CORE to the path of axe.min.js (npm package axe-core)"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    desk = Desk(chromium, tmp_path, proxies)
    try:
        desk.context = chromium.new_context(
            bypass_csp=True, color_scheme=scheme, viewport={"width": width, "height": height}
        )
        script = Path(axe).read_text(encoding="utf-8")
        run = "axe.run().then(r => r.violations.map(v => [v.id, v.nodes.map(n => n.html)]))"
        page = desk.open("")
        page.evaluate(script)
        assert page.evaluate(run) == []
        page = desk.open()
        page.evaluate(script)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        for name in ("finding", "mark", "sound", "redact", "chapters", "sign", "render"):
            page.click(f"#tab-{name}")
            assert page.evaluate(run) == [], name
        page.click("#keys")
        assert page.evaluate(run) == []
        page.click("#shut")
        small = page.evaluate(
            """() => [...document.querySelectorAll('button, input, select, [data-mark]')]
            .filter(e => { const r = e.getBoundingClientRect();
              return r.width && (r.width < 24 || r.height < 24) && e.type !== 'checkbox'; })
            .map(e => e.outerHTML.slice(0, 80))"""
        )
        assert small == []  # WCAG 2.2 SC 2.5.8, target size
    finally:
        desk.close()


@pytest.mark.slow
def test_motion_is_left_out_when_asked(chromium: Any, tmp_path: Path, proxies: list[Path]) -> None:
    desk = Desk(chromium, tmp_path, proxies)
    try:
        desk.context = chromium.new_context(reduced_motion="reduce")
        page = desk.open()
        moving = page.evaluate(
            """() => [...document.querySelectorAll('*')].filter(e => {
            const s = getComputedStyle(e);
            return parseFloat(s.transitionDuration) > 0 || s.animationName !== 'none'; }).length"""
        )
        assert moving == 0
        assert page.evaluate("getComputedStyle(document.documentElement).scrollBehavior") == "auto"
    finally:
        desk.close()


@pytest.mark.slow
def test_words_are_escaped(desk: Desk, monkeypatch: Any) -> None:
    bad = "<img src=x onerror=alert(1)>"
    original = desk.backend.load_case

    def load(case: str, decisions: Decisions) -> Any:
        view = original(case, decisions)
        view.title = bad
        view.findings[0].where = view.findings[0].severity = bad
        view.chapters = [(0.0, bad)]
        view.texts = [ShownText(Judged("title", bad, (bad,)))]
        view.checklist = [{"identifier": bad, "found": bad, "treated": bad}]
        return view

    monkeypatch.setattr(desk.backend, "load_case", load)
    page = desk.open()
    for name in ("finding", "chapters", "sign"):
        page.click(f"#tab-{name}")
    assert page.locator("img[src=x]").count() == 0
    assert re.search("onerror", page.inner_text("#findings"))
