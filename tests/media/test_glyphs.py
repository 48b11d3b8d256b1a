"""From text and emblems to coverage."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont

from pipeline.errors import UsageError
from pipeline.media import glyphs
from pipeline.media.glyphs import BUNDLED_FONT, emblem_glyph, load_glyph, text_glyph
from pipeline.model.options import MarkOptions


def test_bundled_font_and_its_licence_lie_together():
    assert BUNDLED_FONT.is_file()
    licence = next(BUNDLED_FONT.parent.glob("LICENSE*")).read_text(encoding="utf-8")
    assert "free of charge" in licence and BUNDLED_FONT.name in licence


def test_text_is_the_ink_pillow_draws_cut_to_its_borders():
    glyph = text_glyph("HHH", width_px=600)
    ink = glyph.coverage
    assert ink.dtype == np.float32 and ink.min() >= 0 and ink.max() == 1
    assert ink.shape[1] == pytest.approx(600, abs=70)
    # an H: full stems left and right, a bar in the middle, open above and below it
    rows = ink[ink.shape[0] // 2], ink[ink.shape[0] // 8]
    middle, top = (np.pad(row > 0.5, 1) for row in rows)
    assert np.count_nonzero(np.diff(middle.astype(int))) == 6  # three bars, two gaps
    assert np.count_nonzero(np.diff(top.astype(int))) == 12  # six stems


def test_x_height_is_that_of_the_font():
    # DejaVu's OS/2 table: sxHeight 1120, sCapHeight 1493 of 2048 units (from memory)
    glyph = text_glyph("HHHH", width_px=1000)
    cap_px = glyph.coverage.shape[0]
    assert glyph.x_height_ratio * glyph.coverage.shape[1] / cap_px == pytest.approx(
        1120 / 1493, abs=0.02
    )


@pytest.mark.parametrize("text", ["Pražská škola", "Учебная копия", "Αντίγραφο", "Ünïcôdé 12–3"])
def test_scripts_of_the_bundled_font(text):
    assert text_glyph(text, width_px=300).coverage.mean() > 0.05


def test_two_lines_are_taller_and_narrower():
    one, two = text_glyph("TEACHING COPY"), text_glyph("TEACHING\nCOPY")
    assert two.aspect < one.aspect / 2
    assert two.x_height_ratio > 1.4 * one.x_height_ratio


def test_composed_and_decomposed_text_draw_alike():
    a, b = text_glyph("\u00e9", width_px=100), text_glyph("e\u0301", width_px=100)
    np.testing.assert_array_equal(a.coverage, b.coverage)


def test_a_character_the_font_lacks_is_named():
    with pytest.raises(UsageError, match=r"U\+30C6"):
        text_glyph("テスト")


def test_what_is_no_font_is_refused(tmp_path: Path):
    wrong = tmp_path / "a.ttf"
    wrong.write_bytes(b"no font")
    with pytest.raises(UsageError, match="font"):
        text_glyph("A", wrong)
    with pytest.raises(UsageError, match="font"):
        text_glyph("A", tmp_path / "absent.ttf")


def test_a_script_that_needs_shaping_is_refused_without_it(monkeypatch):
    from PIL import features

    monkeypatch.setattr(features, "check", lambda name: False)
    with pytest.raises(UsageError, match="shaping"):
        text_glyph("نسخة")
    assert text_glyph("Copy", width_px=100).coverage.any()


def test_empty_mark_is_refused():
    with pytest.raises(UsageError, match="empty"):
        load_glyph(MarkOptions(text="  "))


def _ring(size: int = 200) -> Image.Image:
    image = Image.new("RGBA", (size, size), (0, 0, 0, 0))
    ImageDraw.Draw(image).ellipse(
        (20, 20, size - 20, size - 20), outline=(255, 255, 255, 255), width=24
    )
    return image


def test_png_with_transparency_is_its_alpha(tmp_path: Path):
    _ring().save(tmp_path / "ring.png")
    ink = emblem_glyph(tmp_path / "ring.png").coverage
    assert ink.shape == pytest.approx((161, 161), abs=2)
    assert ink[80, 80] == 0 and ink[80, 10] == 1


def test_png_on_a_plain_ground_is_what_differs_from_it(tmp_path: Path):
    image = Image.new("RGB", (200, 120), "white")
    ImageDraw.Draw(image).rectangle((50, 30, 149, 89), fill="navy")
    image.save(tmp_path / "box.png")
    ink = emblem_glyph(tmp_path / "box.png").coverage
    assert ink.shape == (60, 100) and ink.min() > 0.95


def test_light_and_dark_parts_of_an_emblem_stay_apart(tmp_path: Path):
    image = Image.new("RGBA", (200, 100), (0, 0, 0, 0))
    draw = ImageDraw.Draw(image)
    draw.rectangle((20, 20, 99, 79), fill="white")
    draw.rectangle((100, 20, 179, 79), fill="black")
    image.save(tmp_path / "two.png")
    light, dark = emblem_glyph(tmp_path / "two.png").coverage
    assert light[30, 20] > 0.95 and dark[30, 20] < 0.05
    assert light[30, 140] < 0.05 and dark[30, 140] > 0.95


def test_svg_and_the_same_shape_in_png_agree(tmp_path: Path):
    (tmp_path / "ring.svg").write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 200 200">'
        '<circle cx="100" cy="100" r="68.5" fill="none" stroke="white" stroke-width="24"/></svg>'
    )
    _ring(200).resize((1024, 1024), Image.Resampling.BICUBIC).save(tmp_path / "ring.png")
    a = emblem_glyph(tmp_path / "ring.svg").coverage
    b = emblem_glyph(tmp_path / "ring.png").coverage
    size = (160, 160)
    a_small = np.asarray(Image.fromarray(a).resize(size))
    b_small = np.asarray(Image.fromarray(b).resize(size))
    assert np.abs(a_small - b_small).mean() < 0.03


def test_svg_without_its_package_says_what_to_install(tmp_path: Path, monkeypatch):
    (tmp_path / "a.svg").write_text('<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9"/>')
    monkeypatch.setitem(sys.modules, "resvg_py", None)
    with pytest.raises(UsageError, match="resvg-py"):
        emblem_glyph(tmp_path / "a.svg")


@pytest.mark.parametrize("name", ["broken.png", "broken.svg", "absent.png"])
def test_unreadable_emblems_are_refused(tmp_path: Path, name: str):
    if name.startswith("broken"):
        (tmp_path / name).write_bytes(b"<svg><broken")
    with pytest.raises(UsageError, match="emblem"):
        emblem_glyph(tmp_path / name)


def test_flat_and_transparent_emblems_are_refused(tmp_path: Path):
    Image.new("RGB", (50, 50), "red").save(tmp_path / "flat.png")
    Image.new("RGBA", (50, 50), (9, 9, 9, 0)).save(tmp_path / "clear.png")
    for name in ("flat.png", "clear.png"):
        with pytest.raises(UsageError, match="emblem"):
            emblem_glyph(tmp_path / name)


def test_a_picture_too_large_is_refused_before_it_is_decoded(tmp_path: Path, monkeypatch):
    _ring().save(tmp_path / "ring.png")
    monkeypatch.setattr(glyphs, "_MOST_PIXELS", 1000)
    with pytest.raises(UsageError, match="too large"):
        emblem_glyph(tmp_path / "ring.png")


def test_the_font_of_the_settings_is_used():
    plain = ImageFont.truetype(str(BUNDLED_FONT), 10)
    assert "Condensed" in plain.getname()[1] and "Bold" in plain.getname()[1]
    a = load_glyph(MarkOptions(text="Copy"))
    b = load_glyph(MarkOptions(text="Copy", font=str(BUNDLED_FONT)))
    np.testing.assert_array_equal(a.coverage, b.coverage)
