"""Reading a claim from a sheet's text: only a close and clear match counts."""

from __future__ import annotations

import random

import pytest

from evidence.model import Claim, ClaimId
from evidence.timeline.split.sheet_text import match_sheet

CLAIMS = [
    Claim(claim=ClaimId("HV-48211"), insured="Dora Brack", address="12 Elm St, Moss Hollow"),
    Claim(claim=ClaimId("HV-48219"), insured="Emil Brack", address="840 Oak Ave, Moss Hollow"),
    Claim(claim=ClaimId("KT-90377"), insured="Jutta Kolb", address="77 Birch Ln, Fern Gap"),
    Claim(claim=ClaimId("KT-11305"), insured="Otto Nadler", address="3105 Willow Ct, Fern Gap"),
]


@pytest.mark.parametrize(
    "lines",
    [
        ("CLAIM", "KT-90377", "Insured Jutta Kolb", "77 Birch Ln"),
        ("C1AIM KT-9O377", "Jutta KoIb", "77 Blrch Ln, Fern Gap"),
        ("Jutta Kolb", "77 Birch Ln"),
        ("KT-90377",),
        ("insured: JUTTA", "KOLB"),
    ],
    ids=["clean", "misread letters", "no number", "number alone", "name broken over two lines"],
)
def test_a_legible_sheet_names_its_claim(lines):
    assert match_sheet(lines, CLAIMS) == "KT-90377"


@pytest.mark.parametrize(
    "lines",
    [
        (),
        ("",),
        ("MENU", "Soup of the day 4.50", "Apple cake 3.20"),
        ("Chapter 12", "It was a bright cold day in April and the clocks"),
        ("FOR SALE", "call 555 0100"),
        ("FIVE DOLLARS", "LEGAL TENDER"),
        ("CLAIM HV-4821", "Brack"),
        ("Fern Gap",),
        ("Moss Hollow", "Brack"),
    ],
    ids=[
        "nothing",
        "blank",
        "menu",
        "book page",
        "yard sign",
        "banknote",
        "last digit cut off",
        "town",
        "surname",
    ],
)
def test_text_that_names_no_claim_clearly_gives_none(lines):
    assert match_sheet(lines, CLAIMS) is None


def test_a_sheet_of_a_claim_that_is_not_assigned_is_not_given_to_the_nearest():
    lines = ("CLAIM QQ-55120", "Hanna Lund", "9 Poplar St, Reed Bank")
    assert match_sheet(lines, CLAIMS) is None
    assert match_sheet(lines, []) is None


def test_numbers_that_differ_in_one_digit_need_a_second_field():
    assert match_sheet(("HV-4821?",), CLAIMS) is None
    assert match_sheet(("HV-48211", "Dora Brack"), CLAIMS) == "HV-48211"


def test_on_smudged_sheets_no_claim_is_far_more_frequent_than_a_wrong_one():
    rng = random.Random(11)
    letters = "abcdefghijklmnopqrstuvwxyz0123456789 "
    right = wrong = 0
    for _ in range(300):
        truth = rng.choice(CLAIMS)
        noise = rng.uniform(0.0, 0.5)

        def smudge(text: str, noise: float = noise) -> str:
            return "".join(rng.choice(letters) if rng.random() < noise else c for c in text)

        found = match_sheet((smudge(truth.claim), smudge(truth.insured), smudge(truth.address)), CLAIMS)
        right += found == truth.claim
        wrong += found is not None and found != truth.claim
    assert right > 100
    assert wrong <= right / 50


def test_a_garbled_sheet_names_its_claim_if_all_fields_together_are_far_ahead():
    lines = ("C7AjM KT-9m3x7", "Jutqa K0ib", "7r Btrch LR, ferp Gkp")
    assert match_sheet(lines, CLAIMS) == "KT-90377"


@pytest.mark.parametrize(
    "lines",
    [("SCOPE OF WORK", "page 2", "roof 24 sq"), ("CLAIM 91234",), ("INVOICE", "Total 1240.00", "Thank you")],
    ids=["a form", "a claim of no list", "an invoice"],
)
def test_other_papers_name_no_claim_garbled_or_not(lines):
    assert match_sheet(lines, CLAIMS) is None
