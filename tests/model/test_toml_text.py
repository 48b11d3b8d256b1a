"""TOML of whatever form: read as `tomllib` reads it, at a cost that follows its length."""

from __future__ import annotations

import time
import tomllib

import pytest

from pipeline.model.toml_text import load_toml

LONG = 100_000


@pytest.mark.parametrize("text", [
    'a = "1.2.3.4.5.6.7.8.9.10"', "a = '.........'", "a = 1 # ..........",
    'a = """x\n.........."""', "a = '''\n......''..........'''", 'a = "\\"........."',
    "[a.b.c]\nd.e = 1.5", '"a.b.c.d.e.f.g.h.i.j" = 1',
    "a = [1.5, 2.5, 3.5,\n4.5, 5.5, 6.5, 7.5, 8.5, 9.5]",
    "a = {b.c = 1.5, d.e = 2026-03-02}", "a.b.c.d.e.f.g.h = 1", 'a = ""\nb = \'\'',
])  # fmt: skip
def test_it_reads_what_the_standard_library_reads(text: str) -> None:
    assert load_toml(text) == tomllib.loads(text)


@pytest.mark.parametrize("text", [
    ".".join(["a"] * LONG) + " = 1", " . ".join(["a"] * LONG) + " = 1", "[" + "a." * LONG + "a]",
    "[[" + "a." * LONG + "a]]", "x = {" + "a." * LONG + "a = 1}", '"a".' * LONG + "a = 1",
    "''." * LONG + "a = 1", "x = 1 # it\'s\n" + "a." * LONG + "a = 1",
    'x = """"""\n' + "a." * LONG + "a = 1", "a" * LONG, '"' * LONG, "'" * LONG,
    '"""' + '\\"' * LONG,
    '"""x' + '\\"""' * LONG, "." * LONG, "\\" * LONG, '"\\' * LONG,
])  # fmt: skip
def test_what_no_case_holds_is_refused_at_once(text: str) -> None:
    """`tomllib` took 10 GB and minutes for the first."""
    before = time.process_time()
    with pytest.raises(ValueError):
        load_toml(text)
    assert time.process_time() - before < 2
