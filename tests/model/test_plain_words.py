"""What is said of a document that a person wrote: plain words, and nothing that may be a name."""

from __future__ import annotations

import tomllib

import pytest
from pydantic import ValidationError

from pipeline.model.case import Case
from pipeline.model.faults import fault_of, toml_place
from pipeline.model.options import Options

GOOD = 'case = "QM-0001"\n[[recording]]\nfiles = ["a.mp4"]\n'


def said(text: str) -> str:
    """The fault of a case.toml; the value 'Berglund' and the like may not be in it."""
    with pytest.raises(ValidationError) as caught:
        Case.model_validate(tomllib.loads(text))
    what, got, do = fault_of(caught.value, Case, "case.toml", values=False)
    whole = f"{what}. {got}. {do}"
    for word in ("Berglund", "Astrid", "Input should", "Extra inputs", "Field required", "pydantic",
                 "valid", "recording.0", "None"):  # fmt: skip
        assert word not in whole, whole
    assert what and do
    return whole


@pytest.mark.parametrize(("text", "words"), [
    ('case = "QM-1"\n[[recording]]\nfile = "a"\n', "recording 1 has `file`; it is called `files`"),
    (GOOD + '[[recording]]\nfiels = ["b"]\n', "recording 2 has `fiels`; it is called `files`"),
    (GOOD + '[consent]\nScope = "public"\n', "consent has `Scope`; it is called `scope`"),
    (GOOD + '[consent]\ngiven = 2026-03-02\n', "consent has `given`; it is called `given_on`"),
    (GOOD + '[consent]\nexpires-on = 2026-03-02\n', "it is called `expires_on`"),
    (GOOD + '[narration]\nfiles = "v.wav"\n', "narration has `files`; it is called `file`"),
    (GOOD + '[measure]\nlabel = "x"\n', "case.toml has `measure`; it is called `measured`"),
    ('title = "x"\n' + 'case = "QM-1"\n[[recordings]]\nfiles = ["a"]\n', "`recording`"),
])  # fmt: skip
def test_a_mistyped_key_gets_its_name(text: str, words: str) -> None:
    assert words in said(text)


@pytest.mark.parametrize(("text", "words"), [
    (GOOD + '[consent]\ntitle = "Astrid"\n', "belongs to the top, before the first table"),
    ('scope = "public"\n' + GOOD, "case.toml has `scope`, which belongs to consent"),
    (GOOD + 'scope = "public"\n', "recording 1 has `scope`, which belongs to consent"),
    ('side = "left"\n' + GOOD, "which belongs to recording"),
])  # fmt: skip
def test_a_key_in_the_wrong_table_is_sent_home(text: str, words: str) -> None:
    assert words in said(text)


@pytest.mark.parametrize("text", [
    GOOD + "[Berglund]\n", GOOD + 'Berglund = "x"\n', GOOD + '[consent]\nBerglund = "1967"\n',
    '"Astrid Berglund" = 1\n' + GOOD, "Astrid = 2\n" + GOOD,
])  # fmt: skip
def test_an_unknown_key_may_be_a_name_and_is_not_repeated(text: str) -> None:
    assert "a key that is not known" in said(text)


@pytest.mark.parametrize(("text", "words"), [
    ('[[recording]]\nfiles = ["a"]\n', ["case.toml lacks `case`", "text in quotes"]),
    ('case = "QM-1"\n', ["lacks `recording`", "[[recording]]"]),
    (GOOD + '[measured]\nlabel = "x"\n', ["measured lacks `value`", "a number"]),
    (GOOD + "[[recording]]\n", ["recording 2 lacks `files`", "a list of texts"]),
    ('case = "QM-1"\nrecording = "Berglund"\n', ["`recording`", "[[recording]] with two brackets"]),
    ('case = "QM-1"\n[recording]\nfiles = ["a"]\n', ["a table", "[[recording]] with two brackets"]),
    ('case = "QM-1"\n[[recording]]\nfiles = "Berglund"\n', ["recording 1: `files`", "a list"]),
    ('case = "QM-1"\n[[recording]]\nfiles = []\n', ["an empty list"]),
    ('case = "QM-1"\n[[recording]]\nfiles = ["a", 7]\n', ["`files`, entry 2,"]),
    (GOOD + 'side = "Berglund"\n', ["`side`", '"left", "right", "midline"']),
    (GOOD + "show_s = 1000\n", ["a number from 1 to 60"]),
    (GOOD + 'keep = [["Berglund", "1:00"]]\n', ["recording 1: `keep`", "1:30"]),
    (GOOD + 'keep = ["1:00", "2:00"]\n', ["keep takes pairs"]),
    (GOOD + "keep = [[1, 2], [3, 3.04]]\n", ["at least 0.2 s"]),
    (GOOD + "field = [1, 2]\n", ["3 or 7 numbers"]),
    (GOOD + '[narration]\nfile = "a"\noffset_s = "Berglund"\n', ['`offset_s`', 'or "auto"']),
    (GOOD + "[narration]\n", ["exactly one of file, channel, live"]),
    (GOOD + '[narration]\nchannel = "two"\n', ["a whole number from 1 to 16"]),
    (GOOD + '[consent]\nscope = "Berglund"\n', ['"none", "teaching", "public"']),
    (GOOD + '[consent]\ngiven_on = "Berglund"\n', ["a date such as 2026-03-02"]),
    (GOOD + '[consent]\nvoice = "perhaps"\n', ["true or false"]),
    (GOOD + '[consent]\nreference = "' + "Berglund " * 20 + '"\n', ["up to 120 characters"]),
    ('consent = "public"\n' + GOOD, ["`consent`", "a table, [consent]"]),
    ("number = 1.5\n" + GOOD, ["a whole number from 1 to 99999"]),
    ("number = 0\n" + GOOD, ["a whole number from 1 to 99999"]),
])  # fmt: skip
def test_a_missing_or_wrong_value_says_what_is_taken(text: str, words: list[str]) -> None:
    whole = said(text)
    for word in words:
        assert word in whole, whole


def test_every_field_of_a_case_has_words_for_what_it_takes() -> None:
    """A wrong value for each: no fault may end in 'another value'."""
    for table in ("", "consent", "narration", "measured", "recording"):
        model = Case if not table else Case.model_fields[table].annotation
        while not hasattr(model, "model_fields"):
            model = next(a for a in model.__args__ if a is not type(None))  # type: ignore[union-attr]
        for key in model.model_fields:
            value: object = {key: {"x": object()}}
            if table:
                value = {table: [value] if table == "recording" else value}
            with pytest.raises(ValidationError) as caught:
                Case.model_validate(value)
            faults = [f for f in caught.value.errors() if key in f["loc"]]
            assert faults, key
            error = ValidationError.from_exception_data("x", [
                {"type": "string_type", "loc": faults[0]["loc"], "input": 1}
            ])  # fmt: skip
            _, _, do = fault_of(error, Case, "case.toml", values=False)
            assert do.startswith("it takes") and "another value" not in do, (key, do)


@pytest.mark.parametrize(("values", "words"), [
    ({"mark": {"txet": "A"}}, ["mark.txet", "mark.text"]),
    ({"mark": {"crf": 20}}, ["mark.crf", "[output]"]),
    ({"output": {"crf": 99}}, ["output.crf", "99", "a whole number from"]),
    ({"lens": {"fog": "blur"}}, ["lens.fog", "'blur'", '"keep"']),
    ({"sound": 3}, ["sound", "a table"]),
    ({"anonymity": {"case_pattern": "("}}, ["anonymity.case_pattern", "regular expression"]),
])  # fmt: skip
def test_settings_show_the_value(values: object, words: list[str]) -> None:
    with pytest.raises(ValidationError) as caught:
        Options.model_validate(values)
    whole = ". ".join(fault_of(caught.value, Options, "your settings file", values=True))
    for word in words:
        assert word in whole, whole
    assert "Input should" not in whole


@pytest.mark.parametrize(("text", "place"), [
    ('case = "QM-1\n', "line 1, column 13"), ("a = 1\nBerglund\n", "line 2, column 9"),
    ("a = [1,\n", "its end"), ("a = 1\na = 2\n", "line 2, column 6"),
])  # fmt: skip
def test_broken_toml_is_told_by_its_place(text: str, place: str) -> None:
    with pytest.raises(ValueError) as caught:
        tomllib.loads(text)
    assert toml_place(caught.value) == place
