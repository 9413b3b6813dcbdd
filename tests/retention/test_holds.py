"""Which claims a hold covers; in doubt a claim is held."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evidence.model import Claim, ClaimId, HoldKind, HoldScope
from evidence.retention.holds import covers, in_force, kind_words, scope_words

MOSS = Claim(
    claim=ClaimId("HL-1"),
    insured="Ada Moss",
    address="12 Larch Way, Boulder, CO 80301",
    loss_date=date(2026, 5, 2),
    peril="hail",
    jurisdiction="US-CO",
)
STORM = HoldScope(
    peril="hail", first_loss=date(2026, 5, 1), last_loss=date(2026, 5, 3), area=("Boulder", "80302")
)


@pytest.mark.parametrize(
    "scope",
    [
        pytest.param(HoldScope(claim=ClaimId("HL-1")), id="the-claim"),
        pytest.param(HoldScope(insured="ada moss"), id="the-insured-in-any-case"),
        pytest.param(HoldScope(insured="Moss, Ada"), id="the-insured-in-another-order"),
        pytest.param(HoldScope(insured="Moss"), id="the-insureds-family-name"),
        pytest.param(STORM, id="the-storm"),
        pytest.param(HoldScope(area=("us-co",)), id="the-state"),
        pytest.param(HoldScope(area=("Denver", "80301")), id="one-of-the-areas"),
        pytest.param(HoldScope(first_loss=date(2026, 5, 2), last_loss=date(2026, 5, 2)), id="the-day"),
        pytest.param(HoldScope(last_loss=date(2026, 5, 2)), id="until-the-day"),
    ],
)
def test_a_hold_covers_a_claim_that_fits(scope):
    assert covers(scope, MOSS)


@pytest.mark.parametrize(
    "scope",
    [
        pytest.param(HoldScope(claim=ClaimId("HL-11")), id="another-claim"),
        pytest.param(HoldScope(insured="Ada Mossman"), id="another-insured"),
        pytest.param(replace(STORM, peril="wind"), id="another-peril"),
        pytest.param(replace(STORM, last_loss=date(2026, 5, 1)), id="before-the-loss"),
        pytest.param(replace(STORM, first_loss=date(2026, 5, 3)), id="after-the-loss"),
        pytest.param(replace(STORM, area=("Denver", "8030")), id="another-area"),
    ],
)
def test_a_hold_does_not_cover_a_claim_that_one_condition_leaves_out(scope):
    assert not covers(scope, MOSS)


@pytest.mark.parametrize(
    "unknown",
    [{"peril": ""}, {"loss_date": None}, {"address": ""}, {"insured": " "}, {"jurisdiction": "", "address": "1 Elm"}],
)  # fmt: skip
def test_what_is_not_known_of_a_claim_does_not_take_it_out_of_a_hold(unknown):
    assert covers(replace(STORM, insured="Moss"), replace(MOSS, **unknown))


WORDS = st.sampled_from(["", "hail", "Ada Moss", "Boulder", "US-CO"])
DATES = st.none() | st.dates(date(2026, 1, 1), date(2026, 1, 9))
SCOPES = st.builds(
    HoldScope,
    insured=WORDS,
    peril=WORDS,
    first_loss=DATES,
    last_loss=DATES,
    area=st.lists(WORDS.filter(bool), max_size=2).map(tuple),
)
CLAIMS = st.builds(
    Claim,
    claim=st.just(ClaimId("C")),
    insured=WORDS,
    address=WORDS,
    peril=WORDS,
    loss_date=DATES,
    jurisdiction=WORDS,
)


@given(SCOPES, CLAIMS, st.sampled_from(["insured", "peril", "first_loss", "last_loss", "area"]))
def test_a_condition_less_covers_no_fewer_claims(scope, claim, condition):
    wider = replace(scope, **{condition: type(getattr(scope, condition))() if condition in {"insured", "peril", "area"} else None})  # fmt: skip
    assert covers(wider, claim) or not covers(scope, claim)


@given(SCOPES, CLAIMS, st.sampled_from(["insured", "address", "peril", "loss_date", "jurisdiction"]))
def test_a_fact_less_takes_no_claim_out(scope, claim, fact):
    poorer = replace(claim, **{fact: None if fact == "loss_date" else ""})
    assert covers(scope, poorer) or not covers(scope, claim)


def test_a_hold_is_in_force_through_its_last_day_or_until_it_is_lifted():
    day = date(2030, 1, 1)
    assert in_force(None, lifted=False, today=date.max)
    assert in_force(day, lifted=False, today=day)
    assert not in_force(day, lifted=False, today=date(2030, 1, 2))
    assert not in_force(None, lifted=True, today=day)


def test_scopes_and_kinds_are_said_in_words():
    assert scope_words(STORM) == "hail, loss 2026-05-01 to 2026-05-03, in Boulder or 80302"
    assert scope_words(HoldScope(claim=ClaimId("HL-1"))) == "claim HL-1"
    assert (
        scope_words(HoldScope(insured="Moss", first_loss=date(2026, 1, 1)))
        == "insured Moss, loss from 2026-01-01"
    )
    assert kind_words(HoldKind.FRAUD_INQUIRY) == "fraud inquiry"
