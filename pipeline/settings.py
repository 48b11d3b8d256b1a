"""Settings from the defaults, the user's own file, a profile and `--config`.

Every setting is declared once, in `pipeline.model.options`. This module reads
TOML files over the defaults, says what is wrong with one in a sentence, and
writes `configs/default.toml`.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
from pathlib import Path
from typing import Any, get_args

from platformdirs import PlatformDirs
from pydantic import BaseModel, ValidationError

from pipeline.errors import UsageError
from pipeline.model.faults import TOML_HINT, fault_of, toml_place
from pipeline.model.options import Options
from pipeline.model.toml_text import load_toml

_HERE = Path(__file__).resolve().parent
SETTINGS_LIMIT_BYTES = 1_000_000
# Settings that name a file: beside the settings file if the path is not absolute.
_FILES = (
    ("mark", "emblem"), ("mark", "font"), ("captions", "font"), ("provenance", "key"),
    ("provenance", "chain"),
)  # fmt: skip


def packaged(name: str) -> Path:
    """A folder of the distribution: beside the package in a checkout, inside it in a wheel."""
    inside = _HERE / f"_{name}"
    return inside if inside.is_dir() else _HERE.parent / name


def user_folder(kind: str) -> Path:
    """The user's folder of this program for 'config', 'data' or 'cache'.

    As platformdirs says for each system; on Linux the XDG Base Directory Specification 0.8,
    by which a relative path in a variable counts as none.
    """
    dirs = PlatformDirs("fieldstop", appauthor=False)
    found = {
        "config": dirs.user_config_path, "data": dirs.user_data_path, "cache": dirs.user_cache_path,
    }[kind]  # fmt: skip
    usual = {"config": ".config", "data": ".local/share", "cache": ".cache"}[kind]
    return found if found.is_absolute() else Path.home() / usual / "fieldstop"


def shipped_profiles() -> dict[str, Path]:
    """Profiles that come with the program, by name."""
    return {p.stem: p for p in packaged("configs").glob("*.toml") if p.stem != "default"}


def profiles() -> dict[str, Path]:
    """Profiles that come with the program and those in the user's own folder, by name."""
    found = shipped_profiles()
    found |= {p.stem: p for p in (user_folder("config") / "profiles").glob("*.toml")}
    return dict(sorted(found.items()))


def load_options(profile: str | None = None, config: Path | None = None) -> Options:
    """All settings: defaults, then the profile, the user's file, and `config` over them.

    Raises UsageError that names the key, the value and the allowed range.
    """
    layers: list[tuple[str, dict[str, Any]]] = []
    name = profile or "web"
    known = profiles()
    if name not in known:
        raise UsageError(
            "There is no such profile", repr(name[:40]), f"use one of: {', '.join(known)}"
        )
    profile_layer = _read_toml(known[name], f"profile {name}")
    if isinstance(profile_layer.setdefault("output", {}), dict):
        profile_layer["output"].setdefault("profile", name)  # one's own, called like its file
    layers.append((f"profile {name}", profile_layer))
    own = user_folder("config") / "settings.toml"
    if own.is_file():
        layers.append(("your settings file", _read_toml(own, "your settings file")))
    if config is not None:
        layers.append(("the --config file", _read_toml(config, "the --config file")))
    merged: dict[str, Any] = {}
    for where, layer in layers:
        for part, key in _FILES:
            value = layer.get(part, {}).get(key) if isinstance(layer.get(part), dict) else None
            if isinstance(value, str) and value and not os.path.isabs(value):
                folder = config.parent if where == "the --config file" and config else own.parent
                layer[part][key] = str((folder / value).resolve())
        _check(layer, where)
        _merge(merged, layer)
    options = _check(merged, "the settings together")
    mark = options.mark
    if mark.visibility_high < mark.visibility_low * 1.2:
        raise UsageError(
            "mark.visibility_high must be at least 1.2 x mark.visibility_low",
            f"{mark.visibility_low:g} and {mark.visibility_high:g}",
            "widen the band",
        )
    signing = options.provenance
    if bool(signing.key) != bool(signing.chain):
        raise UsageError(
            "A clip is signed with a key and its certificates, and the settings name one of them",
            f"provenance.{'key' if signing.key else 'chain'} alone",
            "give provenance.key and provenance.chain, or neither",
        )
    return options


def deciding_options(options: Options) -> dict[str, Any]:
    """Every setting that decides what is made; not those of the machine, of the batch and
    of retention.

    `output.look` and `provenance` are left out: they decide when a clip leaves and who signs it
    then, not what is made; and so is
    `anonymity.case_pattern`, which decides what a case may be called.
    """
    passing: Any = {
        "machine": True, "batch": True, "retention": True, "provenance": True,
        "output": {"look"}, "anonymity": {"case_pattern"},
    }  # fmt: skip
    return options.model_dump(mode="json", exclude=passing)


def settings_sha256(options: Options) -> str:
    """Hash of the settings that decide what is made, for sign-offs and records."""
    text = json.dumps(deciding_options(options), sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def _read_toml(path: Path, where: str) -> dict[str, Any]:
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode) or found.st_size > SETTINGS_LIMIT_BYTES:
            got = "a folder" if stat.S_ISDIR(found.st_mode) else f"{found.st_size} bytes"
            raise UsageError(f"{where} is no settings file", got, "give a small TOML file")
        return load_toml(path.read_bytes().decode("utf-8-sig"))
    except FileNotFoundError:
        raise UsageError(f"{where} was not found", path.name, "check the path") from None
    except (ValueError, RecursionError) as error:  # broken TOML, text or numbers; nested too deep
        raise UsageError(f"{where} is not valid TOML", toml_place(error), TOML_HINT) from None
    except OSError as error:
        raise UsageError(
            f"{where} cannot be read", error.strerror or "", "check its permissions"
        ) from None


def _merge(into: dict[str, Any], layer: dict[str, Any]) -> None:
    for key, value in layer.items():
        if isinstance(value, dict) and isinstance(into.get(key), dict):
            _merge(into[key], value)
        else:
            into[key] = value


def _check(values: dict[str, Any], where: str) -> Options:
    try:
        return Options.model_validate(values)
    except ValidationError as error:
        raise UsageError(*fault_of(error, Options, where, values=True)) from None


def default_toml() -> str:
    """The text of `configs/default.toml`: every setting with unit, range and comment."""
    lines = [
        "# Every setting of Fieldstop with its default value.",
        "# Made from the typed settings by `python -m pipeline.settings`; do not edit here:",
        "# copy the lines you want into your own settings file or a --config file.",
    ]
    for section, field in Options.model_fields.items():
        lines += ["", f"[{section}]"]
        model = field.annotation
        assert isinstance(model, type) and issubclass(model, BaseModel)
        for key, setting in model.model_fields.items():
            value = setting.get_default(call_default_factory=True)
            extra = setting.json_schema_extra
            unit = extra.get("unit", "") if isinstance(extra, dict) else ""
            notes = [setting.description or ""]
            if unit:
                notes.append(f"unit: {unit}")
            limits: dict[str, float] = {}
            for item in setting.metadata:
                limits |= {k: getattr(item, k) for k in ("ge", "le") if hasattr(item, k)}
            choices = get_args(setting.annotation)
            if limits:
                notes.append(f"{limits.get('ge', '')} to {limits.get('le', '')}")
            elif choices and all(isinstance(c, str) for c in choices):
                notes.append("one of: " + ", ".join(choices))
            lines.append(f"{key} = {json.dumps(value)}  # {'; '.join(notes)}")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":  # pragma: no cover
    (_HERE.parent / "configs" / "default.toml").write_text(default_toml())
