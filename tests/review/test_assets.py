"""The script of the local page and of the report: its modules, and what they may not hold."""

from __future__ import annotations

import inspect
import re
from pathlib import PurePosixPath

import pytest

from pipeline.model.kinds import KINDS
from pipeline.review.decision_values import ACTIONS as DECIDED
from pipeline.review.decision_values import MIX_SETTINGS
from pipeline.review.pages import asset, bundle, page_modules
from pipeline.review.serve import jobs
from pipeline.review.words import ACTIONS, MIX, start_words

IMPORT = re.compile(r'\bfrom "([^"]+)"|^import "([^"]+)"', re.MULTILINE)


def imported(name: str) -> list[str]:
    """What a module imports, as places below the assets."""
    out = []
    for found in IMPORT.finditer(asset(name)):
        path = found[1] or found[2]
        assert path.startswith("."), f"{name} imports {path} from elsewhere"
        parts: list[str] = []
        for part in (PurePosixPath(name).parent / path).parts:
            parts = parts[:-1] if part == ".." else [*parts, part]
        out.append("/".join(parts))
    return out


def test_every_import_is_served_and_every_module_is_used() -> None:
    reached, left = set(), ["review/main.js"]
    while left:
        name = left.pop()
        if name not in reached:
            reached.add(name)
            left += imported(name)
    assert reached == set(page_modules())


def test_modules_import_in_no_circle() -> None:
    done: set[str] = set()

    def walk(name: str, above: tuple[str, ...]) -> None:
        assert name not in above, " -> ".join((*above, name))
        if name not in done:
            for other in imported(name):
                walk(other, (*above, name))
            done.add(name)

    walk("review/main.js", ())
    walk("report.js", ())


@pytest.mark.parametrize("name", page_modules())
def test_a_module_is_short_and_has_no_words_of_its_own_for_kinds_and_actions(name: str) -> None:
    """They come with the page: a new kind of finding changes no script."""
    text = asset(name)
    assert text.count("\n") <= 400
    quoted = set(re.findall(r"[\"'`]([^\"'`\n]*)[\"'`]", text))
    assert not quoted & {k.kind for k in KINDS}
    assert not quoted & {k.name for k in KINDS}
    assert not quoted & set(ACTIONS) and not quoted & {a.wish for a in ACTIONS.values()}
    assert not quoted & set(MIX_SETTINGS)


def test_the_page_is_told_a_name_for_everything() -> None:
    told = start_words()
    assert {k["kind"] for k in told["kinds"]} == {k.kind for k in KINDS} <= set(told["looks"])
    shown = [k for lane in told["lanes"] for k in lane["kinds"]]
    shown += [k["kind"] for k in told["kinds"] if k["event"]]
    assert sorted(shown) == sorted(k.kind for k in KINDS)  # each once, in a lane or as a band
    may = set(DECIDED) | {a for k in KINDS for a in (k.action, *k.actions)}
    assert may <= set(told["words"]["actions"])
    assert set(MIX) == set(MIX_SETTINGS)
    states = set(re.findall(r"state = .*?(?:$|\n)|state: str = .*", inspect.getsource(jobs)))
    found = {w for line in states for w in re.findall(r'"(\w+)"', line)}
    assert found == set(told["words"]["jobs"])


def test_the_report_gets_one_script_without_imports() -> None:
    text = bundle("report.js")
    assert not re.search(r"^\s*(import|export)\b", text, re.MULTILINE)
    names = re.findall(r"^(?:const|let|function|class) (\w+)", text, re.MULTILINE)
    assert len(names) == len(set(names)), "two modules define the same name"
    for part in ("hatch.js", "series.js", "plots.js", "report.js"):
        assert asset(part).splitlines()[0] in text
