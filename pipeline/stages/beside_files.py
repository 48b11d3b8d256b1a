"""The files that lie beside a finished clip, each checked as far as something tells what it is."""

from __future__ import annotations

import glob
import hashlib
import json
from collections.abc import Callable
from pathlib import Path

from pipeline.analysis.identity.texts import CAPTIONS, Leaving
from pipeline.errors import InputError
from pipeline.media.captions import Cue, captions_of
from pipeline.media.frame import Picture
from pipeline.model.beside import StillSheet
from pipeline.model.plan import Plan
from pipeline.model.publishing import Publishing, publishing
from pipeline.model.recording import Recording
from pipeline.model.release import Check, NotChecked, Sheet
from pipeline.model.time import Span
from pipeline.stages.texts import open_texts, shown_texts
from pipeline.stages.verifying.beside import (
    Likest,
    caption_checks,
    look_near,
    poster_checks,
    still_checks,
)
from pipeline.stages.verifying.preview import preview_checks
from pipeline.stages.verifying.result import make_check
from pipeline.stages.verifying.text_track import TEXT_TRACK, text_track_check, text_track_of
from pipeline.store.texts import ConfirmedTexts
from pipeline.store.work import beside_clip

LIMIT_BYTES = 100_000_000
ENDINGS = (".jpg", ".vtt", ".srt", ".sheet.json", ".description.txt", ".publish.json")
_KNOWN = "of the vocabulary, or confirmed"
NO_SHEET = "no sheet or plan of this very file lies here"


class BesideFiles:
    """Folds the pictures of the clip for its poster, where no plan tells which one it is.

    sheet: that lies beside it, None if there is none. plan: that it was made by, if it is kept.
    coarse: of the coding (`coding.coarseness`).
    """

    def __init__(
        self,
        path: Path,
        recording: Recording,
        sheet: Sheet | None,
        plan: Plan | None,
        coarse: float = 1.0,
    ) -> None:
        self._path, self._recording, self._coarse = path, recording, coarse
        self._sheet, self._plan = sheet, plan
        self._checks: list[Check] = []
        self._unknown: list[NotChecked] = []
        poster = path.with_suffix(".jpg")
        self._poster = self._read(poster) if poster.is_file() else b""
        self._likest = Likest(self._poster, self._recording.video.matrix)
        more = path.parent.glob(f"{glob.escape(path.stem)}-poster-*.jpg")
        self._more = {p.name: Likest(self._read(p), recording.video.matrix) for p in more}

    @property
    def look(self) -> Callable[[Picture], None] | None:
        """What is handed every picture of the clip; None where there is no poster."""
        posters = [*([self._likest] if self._poster else []), *self._more.values()]

        def look(picture: Picture) -> None:
            for one in posters:
                one.look(picture)

        return look if posters else None

    def checked(self) -> tuple[list[Check], list[NotChecked]]:
        """The checks, and the files that nothing tells about."""
        captions: list[Cue] | None = None
        if self._plan is not None:
            captions = [(c.start_s, c.stop_s, c.text) for c in self._plan.captions]
        files = {p.name.removeprefix(self._path.stem): p for p in beside_clip(self._path)}
        if self._sheet is not None:  # of a release that was given another name
            named = {e: self._path.with_name(f"{self._path.stem}{e}") for e in ENDINGS}
            files |= {e: p for e, p in named.items() if p.is_file()}
        self._missing(files)
        if self._plan is None:
            self._text_track(files.get(".vtt"))
        for name, path in sorted(files.items(), key=lambda f: f[0] != ".vtt"):
            if name == ".vtt":
                data = self._captions(path, "vtt", captions)
                captions = captions if captions is not None else _cues(data)
            elif name == ".srt":
                self._captions(path, "srt", captions)
            elif name == ".jpg":
                self._poster_checks()
            elif path.name in self._more:
                self._other_poster(path, name[1:].removesuffix(".jpg"))
            elif name == "-preview.mp4":
                self._preview(path)
            elif name == ".sheet.json":
                if self._sheet is None:
                    self._untold(path, "it is no sheet that can be read")
            elif name in (".description.txt", ".publish.json"):
                self._text(path, name)
            elif name.startswith("-still-") and name.endswith(".png"):
                self._still(path)
            elif not (name.startswith("-still-") and name.endswith(".sheet.json")):
                self._untold(path, "nothing tells what should be in it")
        return self._checks, self._unknown

    def _read(self, path: Path) -> bytes:
        plain = not path.is_symlink() and path.stat().st_size <= LIMIT_BYTES
        return path.read_bytes() if plain else b""

    def _missing(self, files: dict[str, Path]) -> None:
        """What the sheet names lies there."""
        sheet = self._sheet
        if sheet is None:
            return
        named = [n for n in (sheet.poster, sheet.captions, sheet.proof) if n]
        gone = [n for n in named if n.removeprefix(Path(sheet.file).stem) not in files]
        for name in gone:
            self._unknown.append(NotChecked(check=_kind(name), because="the file is not there"))

    def _untold(self, path: Path, why: str) -> None:
        self._unknown.append(NotChecked(check=f"{_known_as(path)} beside the clip", because=why))

    def _as_released(self, name: str, data: bytes, sha256: str | None) -> None:
        """Against the hash of its sheet; files of earlier versions have none."""
        if sha256 is not None:
            same = hashlib.sha256(data).hexdigest() == sha256
            said = "yes" if same else "no: another content"
            self._checks.append(make_check(f"{name} as released", said, "yes", "", same))
        else:
            why = NO_SHEET if self._sheet is None else "its sheet does not tell its content"
            self._unknown.append(NotChecked(check=f"{name} as released", because=why))

    def _captions(self, path: Path, kind: str, wanted: list[Cue] | None) -> bytes:
        data = self._read(path)
        self._checks += caption_checks(data, kind, wanted, self._recording.duration_s)
        if kind == "vtt":
            told = self._sheet.captions_sha256 if self._sheet else None
            self._as_released("captions", data, told)
            if wanted is None and told is None:
                self._unknown.append(NotChecked(check="captions as planned", because=NO_SHEET))
        elif wanted is None:
            self._unknown.append(
                NotChecked(check="captions as SubRip as planned", because=NO_SHEET)
            )
        return data

    def _text_track(self, captions: Path | None) -> None:
        """Without a plan, what the file says must be in the captions that were released with it."""
        found = text_track_of(self._path)
        data = self._read(captions) if captions is not None else b""
        told = self._sheet.captions_sha256 if self._sheet else None
        if data and hashlib.sha256(data).hexdigest() == told:
            meant = self._sheet is not None and any(
                c.check == TEXT_TRACK for c in self._sheet.checks
            )
            if found or meant:
                self._checks.append(text_track_check(self._path, _cues(data) or []))
        elif found:
            text = Leaving(CAPTIONS, "\n".join(words for _, _, words in found))
            known = not open_texts(shown_texts([text], ConfirmedTexts().known()))
            said = _KNOWN if known else "neither"
            self._checks.append(make_check("words of the text track", said, _KNOWN, "", known))

    def _poster_checks(self) -> None:
        if self._plan is not None:
            look_near(self._path, self._recording, self._plan.poster_s, self._likest.look_closely)
        self._checks += poster_checks(self._poster, self._likest)
        self._as_released(
            "poster", self._poster, self._sheet.poster_sha256 if self._sheet else None
        )

    def _other_poster(self, path: Path, name: str) -> None:
        likest = self._more[path.name]
        for at_s in self._plan.more_posters_s if self._plan is not None else []:
            look_near(self._path, self._recording, at_s, likest.look_closely)
        self._checks += poster_checks(self._read(path), likest, name)

    def _text(self, path: Path, name: str) -> None:
        """Against what is written from the sheet."""
        if self._sheet is None:
            self._untold(path, NO_SHEET)
            return
        wanted = publishing(self._sheet)
        data = self._read(path)
        if name == ".description.txt":
            same = data.decode("utf-8", "replace") == wanted.description
        else:
            same = _plain(data) == _plain(wanted.to_json().encode())
        what = "description" if name == ".description.txt" else "texts for a script"
        self._checks.append(
            make_check(f"{what} as its sheet says", "yes" if same else "no", "yes", "", same)
        )

    def _preview(self, path: Path) -> None:
        """Against the part of the clip that the document for a script names."""
        told = self._read(self._path.with_name(f"{self._path.stem}.publish.json"))
        try:
            preview = Publishing.model_validate_json(told).preview
        except ValueError:
            preview = None
        if preview is None:
            self._untold(path, "nothing tells which part of the clip it shows")
            return
        try:
            self._checks += preview_checks(path, self._path, Span(*preview.clip_s), self._coarse)
        except (InputError, ValueError):
            self._checks.append(make_check("preview can be read", "no", "yes", "", False))

    def _still(self, path: Path) -> None:
        name, data = f"still {path.stem.partition('-still-')[2]}", self._read(path)
        try:
            sheet = StillSheet.model_validate_json(
                self._read(path.with_suffix(".sheet.json"))
            )  # fmt: skip
        except (OSError, ValueError):
            self._untold(path, "no sheet of it lies here")
            return
        mine = self._sheet.sha256 if self._sheet else None
        same = hashlib.sha256(data).hexdigest() == sheet.sha256 and sheet.clip_sha256 == (
            mine or sheet.clip_sha256
        )
        said = "yes" if same else "no: another content"
        self._checks.append(make_check(f"{name} as its sheet says", said, "yes", "", same))
        likest = Likest(data, self._recording.video.matrix)
        look_near(self._path, self._recording, sheet.clip_s, likest.look_closely)
        self._checks += still_checks(name, data, likest)


def _known_as(path: Path) -> str:
    """What a file is, without its name: that may hold another one."""
    for ending, what in (
        (".proof.html", "proof"), (".sheet.json", "sheet"), (".description.txt", "description"),
        (".publish.json", "texts for a script"), (".png", "still"), ("-preview.mp4", "preview"),
    ):  # fmt: skip
        if path.name.endswith(ending):
            return what
    return f"other file ({path.suffix[:6]})"


def _kind(name: str) -> str:
    return {".jpg": "poster", ".vtt": "captions"}.get(Path(name).suffix, "proof") + " as released"


def _cues(data: bytes) -> list[Cue] | None:
    try:
        return captions_of(data.decode("utf-8"), "vtt")
    except ValueError:
        return None


def _plain(data: bytes) -> object:
    """A document for a script, without the names of the files that lie beside the clip."""
    try:
        value = json.loads(data)
    except ValueError:
        return None
    if isinstance(value, dict):
        for name in ("stills", "captions", "posters", "preview"):
            value.pop(name, None)
    return value
