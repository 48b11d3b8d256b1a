"""The folder OUT: what may leave, what stays private, whole writes, one lock per case.

    OUT/releases/CASE/             files that may leave
    OUT/private/CASE/              mode 0700: surveys, plans, decisions, records, drafts
    OUT/private/CASE/clips/NAME/   plan, report, record and drafts of a clip of a part
"""

from __future__ import annotations

import contextlib
import errno
import glob
import itertools
import json
import os
import re
import stat
from collections.abc import Iterable, Iterator
from pathlib import Path

from pipeline.errors import OutputError, UsageError
from pipeline.model.pseudonym import SAFE

_CLIP = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")
_PROFILE = re.compile(r"[a-z0-9-]{1,80}")  # a profile, and the times of a clip
TEMP_MARK = ".part-"
_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_REFUSED = (errno.EACCES, errno.EPERM, errno.EROFS)


def output_error(error: OSError) -> OutputError:
    """The error for a failed write. The path is left out: it may name someone."""
    reason = os.strerror(error.errno) if error.errno else str(type(error).__name__)
    if error.errno in _FULL:
        return OutputError(
            "The output could not be written: the disk or quota is full",
            reason,
            "free some space, or give another folder with --out",
        )
    if error.errno in _REFUSED:
        return OutputError(
            "The output folder cannot be written",
            reason,
            "change its permissions, or give another folder with --out",
        )
    return OutputError(
        "The output could not be written", reason, "check the disk and the folder given with --out"
    )


@contextlib.contextmanager
def writing() -> Iterator[None]:
    """Turns an OSError of the block into an OutputError."""
    try:
        yield
    except OSError as error:
        raise output_error(error) from error


_counter = itertools.count()
in_use: set[str] = set()  # names of this process's own temporary files and work folders


def temp_path(target: Path) -> Path:
    """A fresh name for a temporary file beside `target`, with the process id and the extension."""
    name = f".{target.stem}{TEMP_MARK}{os.getpid()}-{next(_counter)}{target.suffix}"
    return target.with_name(name)


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        # Some file systems cannot sync a folder; the data itself must sync.
        if error.errno not in (errno.EINVAL, errno.ENOTSUP) or not path.is_dir():
            raise
    finally:
        os.close(handle)


def make_folder(folder: Path, mode: int = 0o777) -> None:
    """Makes `folder` and those above it; the new entries are on the disk when this returns."""
    missing = [f for f in (folder, *folder.parents) if not f.is_dir()]
    folder.mkdir(parents=True, exist_ok=True, mode=mode)
    for made in reversed(missing):
        _sync(made.parent)


def discard(file: Path) -> None:
    """Removes a file of ours if it is there. A folder in its place is somebody's, and stays.

    Raises OSError where a file cannot be removed.
    """
    if file.is_symlink() or not file.is_dir():
        file.unlink(missing_ok=True)


def refuse_folders(files: Iterable[Path]) -> None:
    """Raises OutputError where a folder has the name of a file that is going to be written."""
    for file in files:
        if file.is_dir():
            raise OutputError(
                "A folder stands where a file is to be written", file.name, "move it away"
            )


@contextlib.contextmanager
def atomic_path(target: Path, private: bool = False) -> Iterator[Path]:
    """A temporary path beside `target`; synced and renamed to it when the block ends well.

    The block must create the file. It is removed if the block fails, whatever
    the failure. `private` gives mode 0600. Raises OutputError for a full disk
    or a refused write, also if the block meets it; other errors of the block
    pass unchanged.
    """
    target = Path(target)
    refuse_folders([target])
    temp = temp_path(target)
    in_use.add(temp.name)
    try:
        with writing():
            make_folder(target.parent)
        try:
            yield temp
        except OSError as error:
            ours = error.filename is None or Path(os.fsdecode(error.filename)) == temp
            if error.errno in _FULL or (error.errno in _REFUSED and ours):
                raise output_error(error) from error
            raise
        with writing():
            if private:
                temp.chmod(0o600)
            _sync(temp)
            os.replace(temp, target)
            _sync(target.parent)
    finally:
        with contextlib.suppress(OSError):
            temp.unlink(missing_ok=True)
        in_use.discard(temp.name)


def atomic_write(target: Path, data: bytes | str, private: bool = False) -> None:
    """Writes `data` (text as UTF-8) whole or not at all. Raises OutputError."""
    raw = data.encode("utf-8") if isinstance(data, str) else data
    with atomic_path(target, private) as temp:
        mode = 0o600 if private else 0o666
        handle = os.open(temp, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
        with os.fdopen(handle, "wb") as file:
            file.write(raw)


class WorkFolder:
    """Where the files of one case, or of a clip of a part of it, lie inside an OUT folder.

    out: the folder given with --out. case: the pseudonym. clip: name of the clip, if it is one:
    its own files lie apart, what belongs to the case (`whole`) is shared.
    Nothing is created before `prepare`, `case_lock` or a write.
    Raises UsageError if `case` cannot be a folder name.
    """

    def __init__(self, out: Path | str, case: str, clip: str = "") -> None:
        if not re.fullmatch(SAFE, case):
            raise UsageError(
                "A case name cannot be a folder name",
                f"{len(case)} characters",
                "use up to 40 letters, digits, dots, dashes or underscores",
            )
        if clip and not _CLIP.fullmatch(clip):
            raise UsageError(
                "The name of a clip cannot be a folder name",
                f"{len(clip)} characters",
                "use small letters, digits and dashes",
            )
        self.out = Path(out)
        self.case, self.clip = case, clip

    @property
    def whole(self) -> WorkFolder:
        """The folder of the case: surveys, decisions, consent and the lock lie there."""
        return WorkFolder(self.out, self.case) if self.clip else self

    def parts(self) -> list[WorkFolder]:
        """The folder of the case and those of its clips, sorted by name."""
        whole = self.whole
        names = sorted(p.name for p in (whole.private_dir / "clips").glob("*") if p.is_dir())
        return [whole, *(WorkFolder(self.out, self.case, n) for n in names if _CLIP.fullmatch(n))]

    @property
    def releases_dir(self) -> Path:
        return self.out / "releases" / self.case

    @property
    def private_dir(self) -> Path:
        folder = self.out / "private" / self.case
        return folder / "clips" / self.clip if self.clip else folder

    def prepare(self) -> None:
        """Makes the private folders, with mode 0700, also when they existed.

        Of the case nothing lies among the releases before something of it leaves.

        Raises UsageError where what is private would lie among what may leave.
        """
        self._refuse_among_releases()
        with writing():
            make_folder(self.releases_dir.parent)
            private = self.private_dir
            above = [p for p in private.parents if p.is_relative_to(self.out / "private")]
            for folder in (*reversed(above), private):
                make_folder(folder, mode=0o700)
                if stat.S_IMODE(folder.stat().st_mode) != 0o700:
                    folder.chmod(0o700)

    def _refuse_among_releases(self) -> None:
        out, private = (Path(os.path.realpath(p)) for p in (self.out, self.private_dir))
        releases = Path(os.path.realpath(self.out / "releases"))
        inside = [p for p in (out, *out.parents) if p.name == "releases"]
        if (
            any((p.parent / "private").is_dir() for p in inside)
            or private.is_relative_to(releases)
            or releases.is_relative_to(private.parent)
        ):
            raise UsageError(
                "What is private would lie in a folder of releases",
                "an output folder inside of one, or a link that leads there",
                "give another folder with --out",
            )

    def stem(self, profile: str, revision: int) -> str:
        """`HL-0142-web-r1`."""
        if not _PROFILE.fullmatch(profile) or revision < 1:
            raise UsageError(
                "A release name cannot be made",
                f"profile {profile[:20]!r}, revision {revision}",
                "use a profile of small letters, digits and dashes",
            )
        return f"{self.case}-{profile}-r{revision}"

    def release_file(self, profile: str, revision: int, suffix: str = ".mp4") -> Path:
        return self.releases_dir / f"{self.stem(profile, revision)}{suffix}"

    def clip_document(self, profile: str, revision: int) -> Path:
        """What is kept of a clip that left, for what is made beside it later."""
        return self.private_dir / f"{self.stem(profile, revision)}.clip.json"

    def sheet_file(self, profile: str, revision: int) -> Path:
        return self.release_file(profile, revision, ".sheet.json")

    def record_file(self, profile: str, revision: int) -> Path:
        return self.private_dir / f"{self.stem(profile, revision)}.release.json"

    def draft_file(self, profile: str, suffix: str = ".mp4") -> Path:
        return self.private_dir / f"{self.case}-{profile}-draft{suffix}"

    def private_file(self, name: str) -> Path:
        """A file of the private folder, for example `plan.json`."""
        if Path(name).name != name:
            raise UsageError("A file name must not hold a folder", name[:40], "give a plain name")
        return self.private_dir / name

    def record_files(self) -> list[Path]:
        """Every `release.json` of the case, sorted by name."""
        return sorted(self.private_dir.glob("*.release.json"))

    def atomic_write(self, path: Path, data: bytes | str) -> None:
        """Writes whole or not at all; files in the private folder get mode 0600."""
        self.prepare()
        atomic_write(path, data, private=self._is_private(path))

    @contextlib.contextmanager
    def atomic_path(self, target: Path) -> Iterator[Path]:
        self.prepare()
        with atomic_path(target, private=self._is_private(target)) as temp:
            yield temp

    @contextlib.contextmanager
    def case_lock(self, prepare: bool = True) -> Iterator[None]:
        """Holds the one lock of the case; it is gone when the process ends, however it ends.

        prepare: make the folders first. Raises OutputError at once if another process (or
        this one) holds it.
        """
        import fcntl

        if prepare:
            self.prepare()
        path = self.whole.private_dir / ".lock"
        with writing():
            handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as error:
                if error.errno not in (errno.EWOULDBLOCK, errno.EACCES):
                    raise output_error(error) from error
                raise OutputError(
                    f"The case {self.case} is being worked on",
                    self._holder(handle),
                    "wait until it has finished, or stop it, then run this again",
                ) from error
            with writing():
                os.ftruncate(handle, 0)
                os.pwrite(handle, json.dumps({"process": os.getpid()}).encode(), 0)
            yield
        finally:
            os.close(handle)

    def _is_private(self, path: Path) -> bool:
        return Path(path).resolve().is_relative_to(self.whole.private_dir.resolve())

    @staticmethod
    def _holder(handle: int) -> str:
        try:
            value = json.loads(os.pread(handle, 200, 0) or b"{}")
        except (OSError, ValueError):
            value = {}
        process = value.get("process") if isinstance(value, dict) else None
        return f"held by process {process}" if process else "held by another process"


def clip_name(file: str) -> str | None:
    """`HL-0142-web-r1` of any file that lies beside a clip and belongs to it, or of itself."""
    found = re.match(r"(.+-r[1-9][0-9]*)(?=[.-])", file)
    return found[1] if found else None


def is_clip(path: Path) -> bool:
    """True for a clip itself, not for a film that lies beside it, nor what is half written."""
    return path.suffix == ".mp4" and path.name[0] != "." and clip_name(path.name) == path.stem


def beside_clip(clip: Path) -> list[Path]:
    """Every file that lies beside a released clip and belongs to it, sorted by name."""
    near = clip.parent.glob(f"{glob.escape(clip.stem)}[.-]*")
    return sorted(p for p in near if p.name != clip.name and clip_name(p.name) == clip.stem)


def is_alive(process: int) -> bool:
    """True if a process of that number runs. One that has ended and was not yet collected
    by its parent counts as ended: in a container that may last."""
    import psutil

    try:
        return psutil.Process(process).status() not in (psutil.STATUS_ZOMBIE, psutil.STATUS_DEAD)
    except (psutil.NoSuchProcess, ValueError, OverflowError):
        return False
    except psutil.Error:
        return True
