"""Texts that leave: what looks like a person's identifier, and what must not."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.model.identity import identity_warnings, nhs_number_valid

# What is to be refused. 943 476 5919 is the valid example number of the NHS Data Dictionary and
# developer pages; the phone numbers lie in ranges kept for drama (UK 020 7946 0xxx, US 555-01xx),
# the e-mail in a domain reserved by RFC 2606, the address in a block reserved by RFC 5737.
IDENTIFYING = [
    ("1967-03-12", "date"),
    ("12.03.1967", "date"),
    ("12031967", "date"),
    ("19670312", "date"),
    ("3/12/67", "date"),
    ("670312", "date"),
    ("12 March 1967", "date"),
    ("Mar 12, 1967", "date"),
    ("Operation in May 2024", "date"),
    ("12. M\u00e4rz 1967", "date"),
    ("Sinus 2024_05_17 left", "date"),
    ("DOB 1967", "date"),
    ("Clearance at 14:32:05", "time of day"),
    ("NHS 943 476 5919", "NHS number"),
    ("943-476-5919", "NHS number"),
    ("9434765919", "NHS number"),
    ("MRN 00481516", "record"),
    ("mrn: 481516", "record"),
    ("Hospital no. 48151", "record"),
    ("Patient ID 48-1516", "record"),
    ("00481516", "record"),
    ("120367-1234", "date"),
    ("078-05-1120", "long number"),
    ("+44 20 7946 0958", "phone"),
    ("020 7946 0958", "phone"),
    ("(020) 7946 0958", "phone"),
    ("tel 555 0142", "phone"),
    ("202-555-0142", "phone"),
    ("nose@example.org", "e-mail"),
    ("www.example.org", "web"),
    ("192.0.2.17", "network"),
    ("a 93-year-old with crusts", "age"),
    ("12 Field Stop Road", "address"),
    ("SW1A 1AA", "address"),
    ("Solberg^Ingrid", "name"),
    ("Mrs Solberg, left side", "name"),
    ("Ingrid Solberg", "name"),
    ("SOLBERG, Ingrid", "name"),
    ("Crust clearance of Torvald Brekkestad", "name"),
    ("Crusts, patient Brekkestad", "name"),
    ("Name: Brekkestad", "name"),
    ("maria brekkestad", "name"),
    ("Crusts, T. Brekkestad", "name"),
    ("pt. Brekkestad", "name"),
    ("12MAR1967", "date"),
    ("Maria's left nostril", "name"),
]

PLAIN_TITLES = [
    "Crust clearance after sinus surgery",
    "Crust Clearance After Sinus Surgery",
    "Left side, 3 weeks after surgery",
    "Part 2 of 3: right middle meatus",
    "FESS: uncinectomy and antrostomy",
    "Draf III frontal sinusotomy",
    "Draf 2b, 70 degree scope",
    "0 and 30 degree scopes",
    "Septal perforation, 12 mm",
    "Concha bullosa",
    "Agger Nasi and Frontal Recess",
    "Weil Blakesley forceps in use",
    "Middle turbinate: synechia at 9 o'clock",
    "Crusts removed",
    "412 mg removed",
    "Adrenaline 1:10000 on patties",
    "Saline rinse 250 ml twice a day",
    "Before / after",
    "Nasal endoscopy course 2026",
    "Lesson 12",
    "Kiesselbach area, cautery with silver nitrate",
    "4 mm scope, 30\u00b0",
    "Samter triad: polyps grade 3",
    "Eustachian tube opening while swallowing",
    "Why the lens fogs and how to clear it",
    "Vasomotor Rhinitis",
    "Inverted Papilloma, Revision Case",
    "A patient with crusts",
    "47-year-old patient, two operations before",
    "Step 1",
]

PSEUDONYMS = ["HL-0142", "HL-0001", "case_7", "A12", "ENT-2026-031", "left.1", "K7Q2", "demo"]


@pytest.mark.parametrize(("text", "kind"), IDENTIFYING)
def test_identifiers_fire_and_are_not_repeated(text: str, kind: str) -> None:
    warnings = identity_warnings("HL-0142", text)
    assert any(kind in warning for warning in warnings), warnings
    assert all(text not in warning for warning in warnings)
    assert all(warning.startswith("The title") for warning in warnings)


@pytest.mark.parametrize("title", PLAIN_TITLES)
def test_titles_of_the_trade_pass(title: str) -> None:
    assert identity_warnings("HL-0142", title, title) == []


@pytest.mark.parametrize("case", PSEUDONYMS)
def test_pseudonyms_pass(case: str) -> None:
    assert identity_warnings(case, "Crust clearance after sinus surgery") == []


@pytest.mark.parametrize(
    "case",
    ["1967-03-12", "12031967", "670312-1234", "9434765919", "00481516", "maria.brekkestad",
     "BREKKESTAD-Maria", "MariaB", "mrn-481516", "20240517_left"],
)
def test_case_names_that_identify_fire(case: str) -> None:
    assert any(w.startswith("The case name") for w in identity_warnings(case, ""))


def test_other_texts_are_named_by_place() -> None:
    warnings = identity_warnings("HL-0142", "Crusts", "Left", "MRN 00481516")
    assert warnings and all(w.startswith("Text 2 ") for w in warnings)


def test_nhs_number_check_of_the_data_dictionary() -> None:
    """Worked by the five steps of the NHS Data Dictionary, entry NHS NUMBER."""
    assert nhs_number_valid("9434765919")
    # 987654321: sum of products 9*10 + 8*9 + ... + 1*2 = 330 -> remainder 0 -> 11 -> 0
    assert nhs_number_valid("9876543210")
    assert not nhs_number_valid("9434765918")
    assert not nhs_number_valid("943476591")


@given(st.integers(0, 999_999_999), st.integers(0, 9), st.integers(1, 9))
def test_one_wrong_digit_is_always_noticed(head: int, place: int, shift: int) -> None:
    """Modulus 11 with weights 10..2 finds every single wrong digit."""
    base = f"{head:09d}"
    valid = [base + str(d) for d in range(10) if nhs_number_valid(base + str(d))]
    assert len(valid) <= 1
    for number in valid:
        wrong = str((int(number[place]) + shift) % 10)
        assert not nhs_number_valid(number[:place] + wrong + number[place + 1 :])


def test_every_date_of_birth_fires_however_it_is_written() -> None:
    rng = random.Random(7)
    for _ in range(300):
        year, month, day = rng.randint(1920, 2026), rng.randint(1, 12), rng.randint(1, 28)
        text = rng.choice(
            [f"{year}-{month:02d}-{day:02d}", f"{day}.{month}.{year}",
             f"{day:02d}/{month:02d}/{year}", f"{month}/{day}/{year % 100:02d}",
             f"{year}{month:02d}{day:02d}",
             f"{day:02d}{month:02d}{year}", f"{year % 100:02d}{month:02d}{day:02d}",
             f"{day:02d} {month:02d} {year}", f"{day:02d}_{month:02d}_{year}"]
        )
        lead = rng.choice(["", "Crusts ", "left side, ", "x_"])
        assert identity_warnings("HL-0142", lead + text), text


def test_sequence_numbers_pass() -> None:
    for number in range(1, 10_000, 7):
        assert identity_warnings(f"HL-{number:04d}", f"Clip {number}") == []
        assert identity_warnings(f"FS{number:05d}", f"Lesson {number}") == []
