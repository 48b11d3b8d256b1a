"""What every page of ours is written with: the template environment, and texts made safe."""

from __future__ import annotations

import base64
import hashlib
import json
import math
import re
from functools import lru_cache
from importlib import resources
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from pipeline.model.time import format_time
from pipeline.review.plots import LOOKS, look

CAUTIONS = (
    "Not a medical device, and not for diagnosis.",
    "Automatic anonymisation is an aid: a person looks through the whole clip and listens to it"
    " before it is released.",
    "Consent, local law and the policy of your institution decide whether a clip may be shown;"
    " ask whoever is responsible for data protection there.",
)
_PATH = re.compile(
    r"(?<![\w.])(?:[A-Za-z]:\\|\\\\|file:|~?/)[^\s'\",;)]*[\\/][^\s'\",;)]*"
    r"|(?<![\w.])~?/[^\s'\",;)/]+/"
    r"|[^\s'\"(]+\.(?:mp4|m4v|mov|mkv|avi|m2ts|mts|ts|mpe?g|dv|wav|m4a|mp3|flac|ogg|jpe?g|png|tiff?|bmp)\b",
    re.IGNORECASE,
)
_HASH = re.compile(r"\b(?=[0-9a-fA-F]*\d)[0-9a-fA-F]{9,}\b")


def plain(text: str) -> str:
    """Free text without paths, media file names and hex strings over 8 characters."""
    return _HASH.sub(lambda m: m.group()[:8], _PATH.sub("[a file]", text))


_MAGIC = (
    (b"OggS", "audio/ogg"),
    (b"RIFF", "audio/wav"),
    (b"fLaC", "audio/flac"),
    (b"ID3", "audio/mpeg"),
    (b"\xff\xfb", "audio/mpeg"),
    (b"\xff\xd8\xff", "image/jpeg"),
    (b"\x89PNG", "image/png"),
)


def data_uri(data: bytes) -> str:
    """A data: address; raises ValueError for anything but a known sound or picture."""
    kind = next((kind for magic, kind in _MAGIC if data.startswith(magic)), None)
    if kind is None and data[4:8] == b"ftyp":
        kind = "audio/mp4"
    if kind is None:
        raise ValueError("neither a sound nor a picture that a browser can show")
    return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"


def asset(name: str) -> str:
    """Text of a file in `pipeline/review/assets`."""
    return resources.files("pipeline.review").joinpath("assets", name).read_text("utf-8")


_IMPORT = re.compile(r'^import (?:\{[^}]*\} from )?"(?P<path>\./[^"]+)";\n', re.MULTILINE)


def page_modules() -> list[str]:
    """The modules of the local page's script, as places below the assets."""
    root = resources.files("pipeline.review").joinpath("assets")
    found = [f"review/{p.name}" for p in root.joinpath("review").iterdir()]
    found += [f"review/panels/{p.name}" for p in root.joinpath("review", "panels").iterdir()]
    return ["hatch.js", "plots.js", "series.js", *sorted(n for n in found if n.endswith(".js"))]


def bundle(name: str) -> str:
    """A module of the assets and those that it imports as one plain script, for a page that opens
    from disk. All share one scope: a name that two of them define is a mistake that no browser
    lets pass.
    """
    parts: dict[str, str] = {}

    def add(name: str) -> None:
        if name in parts:
            return
        text = asset(name)
        for found in _IMPORT.finditer(text):
            add(found["path"].removeprefix("./"))
        parts[name] = re.sub(r"^export ", "", _IMPORT.sub("", text), flags=re.MULTILINE)

    add(name)
    return '(() => {\n"use strict";\n' + "\n".join(parts.values()) + "})();\n"


def policy_hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


@lru_cache(maxsize=1)
def environment() -> Environment:
    """Of all pages. One for the whole program: it keeps the templates that it compiled."""
    env = Environment(
        loader=PackageLoader("pipeline.review", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.filters["time"] = format_time
    env.filters["plain"] = plain
    env.filters["number"] = number
    env.globals["kinds"] = LOOKS
    env.globals["look"] = look
    return env


def number(value: float | str | None, digits: int = 2) -> str:
    """A measured value for people: 'unknown' for None and NaN, text as it is."""
    if value is None:
        return "unknown"
    if isinstance(value, str):
        return plain(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if not math.isfinite(value):
        return "unknown" if math.isnan(value) else "silent" if value < 0 else "no limit"
    text = f"{value:.{digits}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return text.replace("-", "−") if text not in ("-0", "") else "0"


def script_json(value: Any) -> Markup:
    """JSON that can stand inside a script element."""
    text = json.dumps(value, separators=(",", ":"), allow_nan=False)
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))
