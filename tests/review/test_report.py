"""The report: complete, small, private, and usable without a network."""

from __future__ import annotations

import base64
import json
import os
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import SHA, jpeg, make_data
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.model.findings import Event, Findings
from pipeline.model.release import Check, Looked, Withheld
from pipeline.review.pages import data_uri, number, plain
from pipeline.review.plots import LOOKS, loss_plot
from pipeline.review.report.data import RecordingPart, ReportData
from pipeline.review.report.listed import findings
from pipeline.review.report.write import build_report
from pipeline.review.series import pack, reduce_together, unpack
from pipeline.review.standing import restated, standing

MEDIA = re.compile(r"data:(?:image|audio)/[a-z0-9]+;base64,[A-Za-z0-9+/=]+")


@pytest.fixture(scope="module")
def html(data: ReportData) -> str:
    return build_report(data)


class Page(HTMLParser):
    """Elements with their attributes, and the text of each script."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.scripts: list[str] = []
        self._in = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._in = tag

    def handle_endtag(self, tag: str) -> None:
        self._in = ""

    def handle_data(self, data: str) -> None:
        if self._in == "script":
            self.scripts.append(data)
        elif self._in != "style":
            self.words.append(data)


# --- series ---------------------------------------------------------------------------


@given(
    st.lists(st.one_of(st.floats(-1e6, 1e6), st.just(float("nan"))), min_size=1, max_size=400),
    st.integers(2, 90),
)
@settings(max_examples=150, deadline=None)
def test_reduced_series_keeps_extremes_order_and_size(values: list[float], points: int) -> None:
    time = np.arange(len(values)) * 0.2
    kept_time, out = reduce_together(time, {"value": values}, points)
    kept = out["value"]
    assert kept.size <= max(points, 2)
    assert np.all(np.diff(kept_time) > 0)
    assert np.isin(kept_time, time).all()
    if np.isfinite(values).any():
        assert np.nanmin(kept) == np.nanmin(values)
        assert np.nanmax(kept) == np.nanmax(values)
    else:
        assert np.isnan(kept).all()


def test_a_spike_of_one_sample_survives_and_a_long_gap_stays_a_gap() -> None:
    value = np.zeros(18000)
    value[7777] = 0.9
    value[9000:10000] = np.nan
    time = np.arange(18000) / 5
    rows, out = reduce_together(time, {"contrast_loss": value}, 800)
    assert rows.size <= 800
    assert out["contrast_loss"].max(initial=0, where=np.isfinite(out["contrast_loss"])) == 0.9
    at = rows[np.nanargmax(out["contrast_loss"])]
    assert abs(at - time[7777]) <= 2 * 18000 / 5 / 800 * 2
    inside = (rows > time[9100]) & (rows < time[9900])
    assert inside.sum() > 30 and np.isnan(out["contrast_loss"][inside]).all()


def test_a_band_never_gets_narrower() -> None:
    rng = np.random.default_rng(3)
    low, high = rng.random(5000) * 0.3, 0.5 + rng.random(5000) * 0.3
    rows, out = reduce_together(np.arange(5000.0), {"x_low": low, "x_high": high}, 200)
    for i in range(rows.size):
        first = int(rows[i - i % 2])
        last = int(rows[i - i % 2 + 2]) if i - i % 2 + 2 < rows.size else 5000
        assert out["x_low"][i] == low[first:last].min()
        assert out["x_high"][i] == high[first:last].max()


def test_packing_is_exact_to_the_eye_and_keeps_unknown() -> None:
    value = np.array([0.0, np.nan, 0.123456, 1.0, np.inf])
    time, out = unpack(json.loads(json.dumps(pack([0, 0.2, 0.4, 0.6, 0.8], {"a": value}))))
    assert np.allclose(time, [0, 0.2, 0.4, 0.6, 0.8], atol=1e-6)
    assert np.isnan(out["a"][[1, 4]]).all()
    assert np.allclose(out["a"][[0, 2, 3]], [0, 0.123456, 1], atol=1e-5)


def test_lengths_that_differ_are_refused() -> None:
    with pytest.raises(ValueError, match="3 samples"):
        reduce_together([0, 1, 2], {"a": [1, 2]}, 10)
    with pytest.raises(ValueError, match="points"):
        reduce_together([0, 1], {"a": [1, 2]}, 1)


# --- what it says ---------------------------------------------------------------------


def test_it_is_complete(html: str) -> None:
    text = " ".join(" ".join(Page(html).words).split())
    for words in (
        "HL-0142: Crust clearance after sinus surgery",
        "Withheld",
        "recording 1, left",
        "0:41.2 – 0:52.8",
        "0.62 lost",
        "Contrast restored, and said so in the picture",
        "Falls to a third in 4.2 s",
        "fog 18.1 s, 5 %",
        "−14.02",
        "✗ failed",
        "✓ passed",
        "0.372",
        "goal 0.35",
        "Windows with at least 15 LU 97.4 %",
        "Not a medical device, and not for diagnosis",
        "a person looks through the whole clip",
        "local law and the policy of your institution decide",
        "Room speech",
        "The narration is 12 s longer",
    ):
        assert words in text, words
    assert html.count("<audio") == 4
    assert html.count("data:image/jpeg") == 6 + 4 * 3


def test_disturbances_table_has_every_event_with_its_recovery(data: ReportData) -> None:
    """Fog without a strip gets its time constant from the series: exp(-t / 3 s) falls in 3 s."""
    name, survey, _, _ = data.recordings[0]
    time = np.arange(0, 60, 0.2)
    loss = np.where(time < 10, 0.0, 0.7 * np.exp(-(time - 10) / 3))
    fog = Event(kind="fog", start_s=10, stop_s=14.6, peak_loss=0.7, mean_loss=0.4, confidence=0.9)
    dark = Event(kind="dark", start_s=2, stop_s=3, confidence=0.8)
    data = replace(
        data,
        recordings=[
            RecordingPart(
                name,
                survey,
                {"time_s": time, "contrast_loss": loss},
                Findings(events=[fog, dark]),
            )
        ],
        event_strips=[],
        thumbnails=[],
        edits=[
            {"recording": 0, "start_s": 10, "stop_s": 14.6, "kind": "fog", "action": "freeze"}
        ],
    )
    text = " ".join(" ".join(Page(build_report(data)).words).split())
    table = text[text.index("Disturbances of the picture") :]
    assert table.index("0:02.0 – 0:03.0") < table.index("0:10.0 – 0:14.6")
    row = table[table.index("0:10.0 – 0:14.6") :]
    wanted = r"Fog 4\.6 0\.7 0\.4 1\.8 (2\.9|3|3\.1) 0\.9 Last clear frame held"
    assert re.search(wanted, row), row[:200]
    assert re.search(r"as fast as the tip warms\) in: (2\.9|3|3\.1) s, median of 1 of 1", text)


def test_what_needs_a_person_comes_first(data: ReportData) -> None:
    listed = findings(data)
    needs = [f.needs_person for f in listed]
    assert needs == sorted(needs, reverse=True) and sum(needs) == 3
    assert [f.kind for f in listed[:3]] == ["withheld", "check", "undecided"]
    face = next(f for f in listed if f.kind == "face")
    assert not face.needs_person and face.done == "Cut out"


def test_unresolved_lettering_in_the_field_and_a_face_need_a_person() -> None:
    data = make_data(recordings=1)
    data.edits = []
    data.recordings[0][1].lettering[0].where = "field"
    needs = {f.kind for f in findings(data) if f.needs_person}
    assert {"face", "lettering"} <= needs
    data.state = "surveyed"
    done = {f.kind: f.done for f in findings(data)}
    assert done["face"] == done["fog"] == "Not planned yet"


def test_the_least_report_is_a_page() -> None:
    page = build_report(ReportData("HL-1", "", "web", "surveyed", "0.1.0", 2026))
    assert "Nothing was found that needs a decision" in page
    assert "Not a medical device" in page


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (None, "unknown"),
        (float("nan"), "unknown"),
        (-14.0, "−14"),
        (0.3, "0.3"),
        ("yes", "yes"),
        (-0.001, "0"),
        (float("-inf"), "silent"),
        (100.0, "100"),
    ],
)
def test_numbers_for_people(value: Any, shown: str) -> None:
    assert number(value) == shown


# --- private, safe, small -------------------------------------------------------------


def test_no_hash_and_no_path_gets_in() -> None:
    data = make_data(recordings=1)
    data.warnings = [
        f"cannot read /srv/clinic/jane/left_1.mp4, key {SHA[0]}",
        r"moved from C:\Users\jane\left_1.mp4",
    ]
    data.withheld = [Withheld(code="x", message="see ~/cases/jane/voice.wav")]
    data.checks = [Check(check=f"hash {SHA[1]}", measured=SHA[1], limit=None, passed=False)]
    page = MEDIA.sub("", build_report(data))
    body = " ".join(Page(page).words) + " ".join(
        v or "" for _, attrs in Page(page).tags for v in attrs.values()
    )
    assert "jane" not in page and "left_1" not in page and "voice.wav" not in page
    for sha in SHA:
        assert sha not in page and sha[:9] not in page
    assert not re.search(r"\b(?=[0-9a-f]*[0-9])(?=[0-9a-f]*[a-f])[0-9a-f]{9,}\b", body)


def test_plain_leaves_ordinary_words_alone() -> None:
    for text in ("left / right", "10 dB/s", "−14 LUFS, 1/25 s", "12/11/2026", "deadbeef feedback"):
        assert plain(text) == text


def test_text_is_escaped_everywhere() -> None:
    bad = "<script>alert(1)</script>\"'><img src=x>"
    data = make_data(recordings=1)
    data.case = data.title = data.profile = data.program_version = bad
    data.warnings = data.cautions = [bad]
    data.recordings = [(bad, *data.recordings[0][1:])]
    data.thumbnails = [(*data.thumbnails[0][:4], bad)]
    data.checklist = [{"identifier": bad, "found": bad, "treated": bad}]
    data.edits = [
        {
            "recording": 0,
            "start_s": 0,
            "stop_s": 1,
            "kind": bad,
            "action": bad,
            "reason": bad,
            "origin": bad,
        }
    ]
    data.mark = {**data.mark, "text": bad}
    page = Page(build_report(data))
    assert [t for t, _ in page.tags].count("script") == 2
    assert "img" not in [t for t, a in page.tags if a.get("src") == "x"]


def test_it_asks_nothing_of_a_network(html: str) -> None:
    page = Page(html)
    for tag, attrs in page.tags:
        for name in ("src", "href", "action", "poster", "srcset", "data", "background"):
            value = attrs.get(name)
            assert value is None or value.startswith(("data:", "#")), (tag, name, value)
        assert not any(name.startswith("on") or name == "style" for name in attrs), (tag, attrs)
    policy = next(
        a["content"] for t, a in page.tags if a.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy and policy.startswith("default-src 'none'") and "unsafe" not in policy
    assert "http" not in policy


def test_size_without_media_for_an_hour_of_six_recordings() -> None:
    page = build_report(make_data(recordings=6, duration_s=600, rate=10))
    assert len(MEDIA.sub("", page).encode()) <= 300_000


def test_a_picture_that_is_none_is_refused() -> None:
    assert data_uri(jpeg(1)).startswith("data:image/jpeg;base64,/9j/")
    assert data_uri(b"OggS....").startswith("data:audio/ogg")
    assert data_uri(b"\0\0\0\x20ftypM4A ").startswith("data:audio/mp4")
    with pytest.raises(ValueError, match="neither"):
        data_uri(b"<svg onload=alert(1)>")


# --- colours: told apart without hue --------------------------------------------------


def test_events_differ_in_hatch_or_sign_and_use_a_published_set() -> None:
    # Okabe and Ito, 'Color Universal Design', 2008 (jfly.uni-koeln.de/color), and greys.
    okabe_ito = {"#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7"}
    assert {k.color for k in LOOKS.values()} <= okabe_ito | {"#777777"}
    events = [LOOKS[k] for k in ("fog", "smudge", "blur", "dark", "glare", "out_of_body")]
    assert len({k.hatch for k in events}) == 6 and len({k.sign for k in events}) == 6


def _luminance(color: str) -> float:
    # WCAG 2.2, definition of relative luminance.
    parts = [int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_text_contrast_in_light_and_dark() -> None:
    """WCAG 2.2 SC 1.4.3: at least 4.5:1."""
    css = Path(str(loss_plot.__code__.co_filename)).with_name("assets") / "page.css"
    light, dark = css.read_text().split("prefers-color-scheme: dark")[:2]
    for part in (light, dark):
        colors = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", part.split("}")[0]))
        pairs = [(t, b) for t in ("ink", "soft") for b in ("paper", "sheet", "wash")]
        pairs += [
            ("need", "need-wash"),
            ("need", "sheet"),
            ("good", "good-wash"),
            ("good", "sheet"),
        ]
        pairs += [("accent", "sheet"), ("accent", "paper"), ("on-accent", "accent")]
        pairs += [("on-head", "head"), ("on-head-soft", "head"), ("limit", "sheet")]
        pairs += [("soft", "need-wash"), ("ink", "need-wash")]
        for text, ground in pairs:
            a, b = sorted((_luminance(colors[text]), _luminance(colors[ground])), reverse=True)
            assert (a + 0.05) / (b + 0.05) >= 4.5, (text, ground)


# --- in a browser ---------------------------------------------------------------------


@pytest.fixture
def opened(chromium: Any, html: str, tmp_path: Path) -> Any:
    path = tmp_path / "report.html"
    path.write_text(html, encoding="utf-8")
    context = chromium.new_context(viewport={"width": 1280, "height": 720})
    page = context.new_page()
    page.problems = []
    page.on("console", lambda m: page.problems.append(m.text))
    page.on("pageerror", lambda e: page.problems.append(str(e)))
    page.on(
        "request",
        lambda r: page.problems.append(r.url) if r.url.startswith(("http", "ws")) else None,
    )
    page.goto(path.as_uri())
    page.wait_for_function("document.querySelectorAll('.plot canvas').length >= 6")
    yield page
    context.close()


def test_it_opens_from_disk_and_draws(opened: Any) -> None:
    # the plot is inked: the fog band's colour and the line are there
    inked = opened.evaluate(
        """() => { const c = document.querySelector('.plot canvas');
        const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
        const seen = new Set();
        for (let i = 0; i < d.length; i += 4) if (d[i + 3])
          seen.add(d[i] >> 4 << 8 | d[i + 1] >> 4 << 4 | d[i + 2] >> 4);
        return seen.size; }"""
    )
    assert inked > 20
    assert opened.problems == []
    assert opened.evaluate("document.documentElement.scrollWidth") <= 1280


def test_it_is_used_by_keyboard(opened: Any) -> None:
    opened.locator(".finding summary").first.focus()
    fog = opened.locator(".finding[data-kind=fog]").first
    for _ in range(40):
        opened.keyboard.press("ArrowDown")
        if fog.locator("summary").evaluate("e => e === document.activeElement"):
            break
    else:
        raise AssertionError("the fog finding is not reached with the arrow keys")
    opened.keyboard.press("Enter")
    assert fog.evaluate("e => e.open")
    first, last = opened.evaluate("Report.plots.find(p => p.spec.sync === 'r0').range")
    assert first == pytest.approx(41.2 - 11.6, abs=0.3)
    assert last == pytest.approx(52.8 + 11.6, abs=0.3)
    plot = opened.locator("[data-plot=loss0] .plot-host")
    plot.focus()
    opened.keyboard.press("ArrowRight")
    said = opened.locator("[data-plot=loss0] [aria-live]").inner_text()
    words = r"0:4\d\.\d · Contrast lost over the whole field [\d.]+ \(.+\) · Fog$"
    assert re.match(words, said), said
    opened.keyboard.press("0")
    assert opened.evaluate("Report.plots[0].range[1]") > 350
    assert opened.problems == []


def test_the_worst_first_and_back_by_keyboard(opened: Any) -> None:
    rows = "[...document.querySelectorAll('.finding')]"
    told = f"{rows}.map(r => [r.classList.contains('needs'), Number(r.dataset.lost ?? -1)])"
    in_time = opened.evaluate(told)
    button = opened.locator("#worst")
    button.focus()
    opened.keyboard.press("Enter")
    listed = opened.evaluate(told)
    assert listed == sorted(in_time, key=lambda r: (not r[0], -r[1])) and listed != in_time
    assert button.get_attribute("aria-pressed") == "true"
    assert opened.locator("#worst-words").is_visible()
    # the arrow keys follow what is shown
    opened.locator(".finding summary").first.focus()
    opened.keyboard.press("ArrowDown")
    at = f"{rows}.findIndex(r => r.contains(document.activeElement))"
    assert opened.evaluate(at) == 1
    button.focus()
    opened.keyboard.press(" ")
    assert opened.evaluate(told) == in_time and not opened.locator("#worst-words").is_visible()
    assert opened.problems == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_no_violation(chromium: Any, html: str, tmp_path: Path, scheme: str) -> None:
    """axe-core (MPL-2.0) is not in the repository; AXE_CORE names its axe.min.js."""
    axe = os.environ.get("AXE_CORE", "")
    if not axe or not Path(axe).is_file():
        message = "set AXE_CORE to the path of axe.min.js (npm package axe-core)"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    path = tmp_path / "report.html"
    path.write_text(html, encoding="utf-8")
    context = chromium.new_context(bypass_csp=True, color_scheme=scheme)
    page = context.new_page()
    page.goto(path.as_uri())
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    page.evaluate(Path(axe).read_text(encoding="utf-8"))
    found = page.evaluate(
        "axe.run().then(r => r.violations.map(v => [v.id, v.nodes.map(n => n.html)]))"
    )
    context.close()
    assert found == []


# ----------------------------------------------------------------------------- sound


def test_replaced_sound_is_listed_with_its_reason_and_unresolved_sound_needs_a_person() -> None:
    data = make_data(recordings=1)
    data.sound["undecided"] = [(3.0, 4.0, "too clipped to tell whether somebody speaks"), (8, 9)]
    data.sound["overruled"] = [(20.0, 21.0)]
    data.edits = []
    rows = {f.start_s: f for f in findings(data) if f.plots == "sound"}
    assert rows[3.0].severity == "too clipped to tell whether somebody speaks"
    assert (rows[3.0].done, rows[3.0].needs_person) == ("Replaced with room sound", False)
    assert (rows[8.0].done, rows[8.0].needs_person) == ("Not resolved", True)
    assert rows[20.0].done == "Kept as it is"


def test_both_tracks_are_drawn_with_their_spans() -> None:
    data = make_data(recordings=1)
    data.sound["narration_speech"] = [(10.0, 20.0)]
    data.sound["procedure_speech"] = [(50.0, 75.0)]
    data.sound["undecided"] = [(90.0, 91.0, "too low")]
    png = base64.b64decode(
        "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAAAAAA6fptVAAAACklEQVR4nGNgAAAAAgABSK+kcQAAAABJRU5ErkJggg=="
    )
    data.sound["pictures"] = [("Narration", png, 100.0), ("Procedure", png, 100.0)]
    html = build_report(data)
    tracks = html.split('<div class="tracks">')[1].split("</div>")[0]
    first, second = tracks.split("<figure>")[1:]
    assert 'x="100.0" y="73" width="100.0" height="10" fill="url(#hatch-narration)"' in first
    assert 'x="500.0" y="73" width="250.0" height="10" fill="url(#hatch-speech)"' in second
    assert 'x="900.0" y="73" width="10.0" height="10" fill="url(#hatch-undecided)"' in second
    assert "hatch-speech" not in first and first.count("data:image/png") == 1


def test_the_worst_is_what_takes_most_of_the_picture_for_longest() -> None:
    """Fog that no clear moment is known for has lost all there is, not nothing."""
    some = {"confidence": 0.9, "peak_loss": 0.95}
    seen = [
        Event(kind="smudge", start_s=0, stop_s=9, mean_loss=0.8, covers=0.05, **some),
        Event(kind="fog", start_s=10, stop_s=14, mean_loss=0.5, **some),
        Event(kind="fog", start_s=20, stop_s=60, mean_loss=None, confidence=0.9),
        Event(kind="blur", start_s=65, stop_s=66, mean_loss=0.9, **some),
        Event(kind="dark", start_s=70, stop_s=74, mean_loss=0.9, **some),
    ]
    worst = sorted(seen, key=lambda e: -e.lost_s)
    assert [e.start_s for e in worst] == [20, 70, 10, 65, 0]
    assert [e.lost_s for e in worst] == pytest.approx([40, 3.6, 2, 0.9, 0.36])


def test_what_is_said_of_a_clip_is_said_anew_when_it_leaves(data: ReportData) -> None:
    """A report that was written while the clip was ready reads, once it is released, as one
    that was written then; a report of another clip stays as it is."""
    looked = Looked(by="AB", at="2026-05-02T10:00:00+00:00", how="release")
    data = replace(data, state="ready", name="HL-0142-web", looked=None)
    before = build_report(data)
    assert "Nobody has looked at this clip yet" in before and "Released" not in before
    done = replace(data, state="released", looked=looked)
    now = standing("HL-0142-web", "released", checks=data.checks,
                   looked=looked, approved_by=None)  # fmt: skip
    after = restated(before, now)
    assert after == build_report(done)
    assert "AB looked at this clip on 2026-05-02" in after and "nobody yet" not in after
    assert restated(before, now._replace(name="HL-0142-lecture")) == before


@pytest.mark.parametrize("initials", [True, False])
def test_who_looked_is_said_with_initials_or_without(initials: bool) -> None:
    looked = Looked(by="QZ", at="2026-05-02T10:00:00+00:00", how="page")
    said = standing("HL-0142-web", "released", checks=(), looked=looked, approved_by="QZ",
                    initials=initials)  # fmt: skip
    assert ("QZ" in str(said)) == initials and len(said.lines) == 2
    nobody = standing("HL-0142-web", "released", checks=(), looked=None, approved_by=None)
    assert "nobody has looked" in nobody.short
