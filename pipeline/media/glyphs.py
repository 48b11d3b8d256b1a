"""From text or an emblem to coverage arrays, with any Unicode font, PNG or SVG."""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import UsageError
from pipeline.model.options import MarkOptions

BUNDLED_FONT = (
    Path(__file__).resolve().parent.parent / "assets" / "fonts" / "DejaVuSansCondensed-Bold.ttf"
)
RASTER_WIDTH_PX = 2048
"""Width of the raster: about twice the widest mark at 1080 rows."""
_MOST_PIXELS = 40_000_000
_SCRIPTS_TO_SHAPE = (
    "ARABIC",
    "HEBREW",
    "DEVANAGARI",
    "BENGALI",
    "TAMIL",
    "TELUGU",
    "THAI",
    "KHMER",
    "GUJARATI",
    "KANNADA",
    "MALAYALAM",
    "SINHALA",
    "MYANMAR",
    "LAO",
    "TIBETAN",
    "SYRIAC",
)


@dataclass(frozen=True)
class Glyph:
    """One mark, rasterised.

    coverage: float32, 0..1. (row, col) for one tone; (2, row, col) for an emblem
        with light and dark parts: [0] is drawn light, [1] dark.
    x_height_ratio: height of a lower-case x over the width of the raster; None for an emblem.
    """

    coverage: NDArray[np.float32]
    x_height_ratio: float | None

    @property
    def aspect(self) -> float:
        """Width over height of the raster."""
        return float(self.coverage.shape[-1] / self.coverage.shape[-2])


def load_glyph(options: MarkOptions) -> Glyph:
    """The mark that the settings ask for: the emblem if one is named, else the text.

    Raises UsageError for a missing or unreadable file, a font that lacks a
    character of the text, or if neither text nor emblem is set.
    """
    if options.emblem:
        return emblem_glyph(Path(options.emblem).expanduser())
    if not options.text.strip():
        raise UsageError(
            "The mark is empty", "no text and no emblem", "set mark.text or mark.emblem"
        )
    return text_glyph(options.text, Path(options.font).expanduser() if options.font else None)


def text_glyph(text: str, font: Path | None = None, width_px: int = RASTER_WIDTH_PX) -> Glyph:
    """Rasterise text; a line break in it starts a new, centred line.

    text: any Unicode text the font can draw; brought to Unicode form NFC.
    font: TTF or OTF file; None for the bundled one.
    width_px: width of the raster, at least 16.
    Returns a one-tone Glyph cut to the ink.
    Raises UsageError if the file is no font, a character is missing from it, the
    script needs text shaping that this Pillow lacks, or there is no ink.
    """
    from PIL import Image, ImageDraw

    text = unicodedata.normalize("NFC", text.strip())
    load = _font_for(text, font, "the mark", "mark.font")
    probe = load(100)
    canvas = ImageDraw.Draw(Image.new("L", (1, 1)))
    left, _, right, _ = canvas.multiline_textbbox(
        (0, 0), text, font=probe, align="center", spacing=12
    )
    if right - left < 1:
        raise UsageError("The text of the mark draws nothing", repr(text), "set mark.text")
    size_px = int(max(4, min(2000, round(100 * width_px / (right - left)))))
    face = load(size_px)
    spacing = 0.12 * size_px
    box = canvas.multiline_textbbox((0, 0), text, font=face, align="center", spacing=spacing)
    wide, high = int(np.ceil(box[2] - box[0])) + 8, int(np.ceil(box[3] - box[1])) + 8
    if wide * high > _MOST_PIXELS:
        raise UsageError(
            "The text of the mark is too tall", f"{wide} x {high} px", "use fewer lines"
        )
    image = Image.new("L", (wide, high))
    ImageDraw.Draw(image).multiline_text(
        (4 - box[0], 4 - box[1]), text, fill=255, font=face, align="center", spacing=spacing
    )
    ink = _cut(np.asarray(image, np.float32) / 255.0, "The text of the mark draws nothing")
    x_box = face.getbbox("x")
    x_height_px = float(x_box[3] - x_box[1]) if not _missing(probe, "x") else 0.5 * size_px
    return Glyph(ink, x_height_px / ink.shape[-1])


def lines_ink(text: str, font: Path | None, type_px: float, pitch: float) -> NDArray[np.float32]:
    """Lines of a caption, each centred: coverage 0..1, (row, col), as wide as the widest.

    font: TTF or OTF file; None for the bundled one. type_px: size of the type, at least 4.
    pitch: rows from line to line in sizes of the type; a font whose glyphs are higher than that
    is drawn smaller. Rows do not depend on which letters there are.
    Raises UsageError as `text_glyph` does.
    """
    from PIL import Image, ImageDraw

    lines = unicodedata.normalize("NFC", text.strip()).splitlines()
    load = _font_for("\n".join(lines), font, "the captions", "captions.font")
    step = pitch * type_px
    face = load(100)
    high = sum(face.getmetrics()) / 100
    face = load(max(4, round(min(type_px, step / high))))
    rise, fall = face.getmetrics()
    boxes = [face.getbbox(line, anchor="ms") for line in lines]
    wide = 2 * max([2, *(int(np.ceil(max(-b[0], b[2]))) + 1 for b in boxes)])
    image = Image.new("L", (wide, round(step * len(lines))))
    draw = ImageDraw.Draw(image)
    for number, line in enumerate(lines):
        baseline = round(step * number + (step - rise - fall) / 2 + rise)
        draw.text((wide // 2, baseline), line, fill=255, font=face, anchor="ms")
    return np.asarray(image, np.float32) / np.float32(255)


def _font_for(text: str, font: Path | None, whose: str, setting: str) -> Callable[[int], Any]:
    """Gives the font at a size in px. Raises UsageError where it cannot draw the text."""
    from PIL import ImageFont, features

    path = font or BUNDLED_FONT
    shaped = bool(features.check("raqm"))
    if not shaped and any(_needs_shaping(c) for c in text):
        emblem = ", or use an emblem (mark.emblem)" if setting == "mark.font" else ""
        raise UsageError(
            f"The text of {whose} is in a script that needs text shaping",
            "Pillow without Raqm",
            f"install a Pillow with Raqm{emblem}",
        )
    layout = ImageFont.Layout.RAQM if shaped else ImageFont.Layout.BASIC

    def load(size_px: int) -> Any:
        try:
            return ImageFont.truetype(str(path), size_px, layout_engine=layout)
        except (OSError, ValueError) as error:
            raise UsageError(
                f"The font of {whose} cannot be read",
                path.name,
                f"set {setting} to a TTF or OTF file, or leave it empty",
            ) from error

    missing = _missing(load(100), text)
    if missing:
        raise UsageError(
            f"The font of {whose} has no glyph for a character of the text",
            ", ".join(f"{c} (U+{ord(c):04X})" for c in missing[:5]),
            f"set {setting} to a font that has it",
        )
    return load


def emblem_glyph(path: Path, width_px: int = RASTER_WIDTH_PX // 2) -> Glyph:
    """Rasterise a PNG (or another picture Pillow reads) or SVG emblem.

    The transparency is the shape. Light and dark parts inside it become a light
    and a dark tone if they differ clearly. A picture without transparency
    counts as ink wherever it differs from its corners.
    SVG needs the package resvg-py.
    Raises UsageError for a file that cannot be read, is empty, or too large.
    """
    from PIL import Image

    if not path.is_file():
        raise UsageError(
            "The emblem of the mark is not there", path.name, "set mark.emblem to a PNG or SVG file"
        )
    if path.suffix.lower() in (".svg", ".svgz"):
        source: Any = io.BytesIO(_svg(path, width_px))
    else:
        source = path
    try:
        with Image.open(source) as opened:
            if opened.width * opened.height > _MOST_PIXELS:
                raise UsageError(
                    "The emblem of the mark is too large",
                    f"{opened.width} x {opened.height} px",
                    "use at most 40 megapixels",
                )
            image = opened.convert("RGBA")
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError) as error:
        raise UsageError(
            "The emblem of the mark cannot be read", path.name, "use a PNG or SVG file"
        ) from error
    if image.width > width_px:
        high = max(1, round(image.height * width_px / image.width))
        image = image.resize((width_px, high), Image.Resampling.LANCZOS)
    pixels = np.asarray(image, np.float32) / 255.0
    alpha = pixels[..., 3]
    # luma weights of ITU-R BT.709: a grey picture for telling light from dark parts
    grey = pixels[..., :3] @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    if float(alpha.min()) > 0.98:  # no transparency: the corners are the ground
        corners = np.median([grey[0, 0], grey[0, -1], grey[-1, 0], grey[-1, -1]])
        difference = np.abs(grey - corners)
        return Glyph(
            _cut(
                difference / max(float(difference.max()), 1e-6) * (difference.max() > 0.05),
                "The emblem of the mark is one flat colour",
            ),
            None,
        )
    shape = alpha > 0.5
    if not shape.any():
        raise UsageError(
            "The emblem of the mark is fully transparent", path.name, "use an emblem with ink"
        )
    dark, light = np.percentile(grey[shape], [5, 95])
    if light - dark < 0.25:
        return Glyph(_cut(alpha, "The emblem of the mark is empty"), None)
    share = np.clip((grey - dark) / (light - dark), 0, 1)
    return Glyph(
        _cut(np.stack([alpha * share, alpha * (1 - share)]), "The emblem of the mark is empty"),
        None,
    )


def _svg(path: Path, width_px: int) -> bytes:
    try:
        import resvg_py
    except ImportError as error:
        raise UsageError(
            "An SVG emblem needs a package that is not installed",
            "resvg-py is missing",
            "install it with pip install resvg-py, or use a PNG",
        ) from error
    try:
        return bytes(resvg_py.svg_to_bytes(svg_path=str(path), width=width_px))
    except Exception as error:  # the binding raises ValueError, older ones others
        raise UsageError(
            "The emblem of the mark cannot be read", path.name, "use a valid SVG file"
        ) from error


def _needs_shaping(character: str) -> bool:
    return unicodedata.name(character, "").startswith(_SCRIPTS_TO_SHAPE)


def _missing(face: Any, text: str) -> list[str]:
    """Characters that the font draws as its 'not defined' box."""
    blank = face.getmask("\U0010fffe")
    nothing = (bytes(blank), blank.size)
    out = []
    for character in dict.fromkeys(text):
        if character.isspace() or unicodedata.category(character) in ("Cf", "Mn", "Me"):
            continue
        drawn = face.getmask(character)
        if (bytes(drawn), drawn.size) == nothing:
            out.append(character)
    return out


def _cut(ink: NDArray[np.float32], empty: str) -> NDArray[np.float32]:
    """Cut to the ink; the last two axes are (row, col)."""
    whole = ink if ink.ndim == 2 else ink.max(axis=0)
    rows, cols = (
        np.flatnonzero((whole > 0.05).any(axis=1)),
        np.flatnonzero((whole > 0.05).any(axis=0)),
    )
    if rows.size == 0:
        raise UsageError(empty, "no ink", "set mark.text or mark.emblem")
    cut = ink[..., rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
    return np.ascontiguousarray(np.clip(cut, 0, 1), dtype=np.float32)
