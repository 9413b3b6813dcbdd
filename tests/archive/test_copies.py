"""The card's verdict: rule 4, and the 3-2-1 rule's cases (Ruggiero and Heckathorn, Data Backup Options, US-CERT)."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evidence.archive import copies as copies_room
from evidence.archive.copies import CardVerdict, CopyPlace, Now, OnCard, SafetyPolicy
from evidence.errors import BadInputError
from evidence.model import Refusal, Sha256

NOW = datetime(2026, 3, 4, 20, 0, tzinfo=UTC)
LAPTOP = CopyPlace(place_id="disk:a", name="laptop", off_computer=False, verified_at=NOW)
DISK = CopyPlace(place_id="disk:b", name="desk disk", off_computer=False, verified_at=NOW)
SHARE = CopyPlace(place_id="nfs:office", name="office share", off_computer=True, verified_at=NOW)

PLACES = Now(
    at=NOW, places=dict.fromkeys(("laptop", "second folder", "desk disk", "office share", "somewhere"), True)
)
"""Every place is named and reachable."""


def card_verdict(files, copies, policy, now=PLACES, **more) -> CardVerdict:
    """The verdict while every place is connected, where a test does not say otherwise."""
    return copies_room.card_verdict(files, copies, policy, now, **more)


def digest(number: int) -> Sha256:
    return Sha256(f"{number:064x}")


def card(number: int = 3) -> list[OnCard]:
    return [OnCard(path=f"DCIM/100AAAAA/A{n:04}.JPG", sha256=digest(n)) for n in range(1, number + 1)]


def everywhere(files, *places) -> dict[Sha256, list[CopyPlace]]:
    return {file.sha256: list(places) for file in files if file.sha256}


def test_a_card_is_safe_when_every_file_is_here_and_elsewhere():
    verdict = card_verdict(card(), everywhere(card(), LAPTOP, SHARE), SafetyPolicy())
    assert verdict.safe_to_erase
    assert verdict.reasons == (
        "3 files were read back and matched in 2 places or more, at least 1 off this computer.",
    )


@pytest.mark.parametrize(
    ("places", "policy", "safe", "said"),
    [
        # check values H1 and H4: three copies, one of them offsite; two folders on one disk are one copy
        pytest.param((LAPTOP, DISK, SHARE), SafetyPolicy(places=3), True, "3 places", id="laptop-disk-cloud"),
        pytest.param((LAPTOP, DISK), SafetyPolicy(places=2), False, "off this computer", id="one-site"),
        pytest.param(
            (LAPTOP, replace(LAPTOP, name="second folder"), SHARE),
            SafetyPolicy(places=3),
            False,
            "2 places of the 3 needed",
            id="two-folders-on-one-disk",
        ),
        pytest.param((LAPTOP,), SafetyPolicy(), False, "1 place of the 2 needed", id="laptop-only"),
        pytest.param((), SafetyPolicy(), False, "no copy that was read back", id="nothing"),
        pytest.param(
            (LAPTOP, replace(SHARE, verified_at=None)),
            SafetyPolicy(),
            False,
            "off this computer",
            id="never-read-back",
        ),
        pytest.param(
            (LAPTOP, replace(SHARE, found_bad_at=NOW + timedelta(days=1))),
            SafetyPolicy(),
            False,
            "office share was found bad",
            id="found-bad-since",
        ),
        pytest.param(
            (LAPTOP, replace(SHARE, found_bad_at=NOW - timedelta(days=1))),
            SafetyPolicy(),
            True,
            "",
            id="mended-since",
        ),
        pytest.param(
            (LAPTOP, replace(SHARE, found_bad_at=NOW)),
            SafetyPolicy(),
            False,
            "found bad",
            id="bad-at-the-same-instant",
        ),
        pytest.param(
            (LAPTOP, SHARE, replace(SHARE, place_id="s3:x", found_bad_at=NOW)),
            SafetyPolicy(off_computer=2),
            False,
            "in 2 places off this computer",
            id="two-elsewhere-wanted",
        ),
    ],
)
def test_the_rule_of_three_two_one(places, policy, safe, said):
    verdict = card_verdict(card(), everywhere(card(), *places), policy)
    assert verdict.safe_to_erase is safe
    assert said in " ".join(verdict.reasons)


def test_one_file_without_enough_copies_makes_the_whole_card_unsafe():
    copies = everywhere(card(200), LAPTOP, SHARE)
    copies[digest(77)] = [LAPTOP]
    verdict = card_verdict(card(200), copies, SafetyPolicy())
    assert not verdict.safe_to_erase
    places, elsewhere = verdict.reasons
    assert "A0077.JPG" in places
    assert places.startswith("1 file ")
    assert elsewhere.startswith("The same file is not kept anywhere off this computer now. Add a disk")
    assert "evidence backup" in verdict.reasons[0]


def test_refused_files_are_named_and_counted_and_litter_does_not_block():
    refused = [
        OnCard(
            path=f"DCIM/100AAAAA/B{n:04}.JPG",
            refusal=Refusal(path="", code="unreadable", reason="the card reports a read error."),
        )
        for n in range(1, 6)
    ]
    litter = OnCard(
        path=".DS_Store", refusal=Refusal(path="", code="system_litter", reason="litter", blocks_erase=False)
    )
    copies = everywhere(card(), LAPTOP, SHARE)
    verdict = card_verdict([*card(), *refused, litter], copies, SafetyPolicy())
    assert not verdict.safe_to_erase
    (reason,) = verdict.reasons
    assert reason.startswith(
        "5 files were not kept and are only on the card: DCIM/100AAAAA/B0001.JPG (the card reports"
    )
    assert "and 2 more" in reason
    assert ".DS_Store" not in reason
    verdict = card_verdict([*card(), litter], copies, SafetyPolicy())
    assert verdict.safe_to_erase
    assert "1 file is a system file" in verdict.reasons[1]


def test_a_file_that_was_neither_kept_nor_refused_blocks():
    verdict = card_verdict([OnCard(path="DCIM/x.JPG")], {}, SafetyPolicy())
    assert not verdict.safe_to_erase
    assert "DCIM/x.JPG (not taken in)" in verdict.reasons[0]


def test_an_empty_card_is_not_called_safe():
    assert not card_verdict([], {}, SafetyPolicy()).safe_to_erase


@pytest.mark.parametrize(("places", "elsewhere"), [(0, 1), (2, 0), (-1, -1)])
def test_a_policy_below_rule_4_is_refused(places, elsewhere):
    with pytest.raises(BadInputError):
        SafetyPolicy(places=places, off_computer=elsewhere)


# --- properties --------------------------------------------------------------------------

moments = st.integers(0, 5).map(lambda hours: NOW + timedelta(hours=hours))
copy_places = st.builds(
    CopyPlace,
    place_id=st.sampled_from(["a", "b", "c", "d"]),
    name=st.just("somewhere"),
    off_computer=st.booleans(),
    verified_at=st.none() | moments,
    found_bad_at=st.none() | moments,
)
policies = st.builds(SafetyPolicy, places=st.integers(1, 3), off_computer=st.integers(1, 2))
worlds = st.dictionaries(
    st.integers(1, 6).map(digest), st.lists(copy_places, max_size=6), min_size=1, max_size=4
)


def files_of(world) -> list[OnCard]:
    return [OnCard(path=f"A{index}.JPG", sha256=sha) for index, sha in enumerate(world)]


@given(world=worlds, policy=policies)
def test_the_verdict_is_rule_4_and_always_gives_a_reason(world, policy):
    verdict = card_verdict(files_of(world), world, policy)
    by_hand = all(
        len(
            {
                c.place_id
                for c in copies
                if c.verified_at and not (c.found_bad_at and c.found_bad_at >= c.verified_at)
            }
        )
        >= policy.places
        and len(
            {
                c.place_id
                for c in copies
                if c.off_computer
                and c.verified_at
                and not (c.found_bad_at and c.found_bad_at >= c.verified_at)
            }
        )
        >= policy.off_computer
        for copies in world.values()
    )
    assert verdict.safe_to_erase is by_hand
    assert verdict.reasons
    assert all(reason.endswith(".") for reason in verdict.reasons)


@given(world=worlds, policy=policies, more=copy_places, data=st.data())
def test_a_further_copy_never_makes_a_safe_card_unsafe(world, policy, more, data):
    before = card_verdict(files_of(world), world, policy)
    lucky = data.draw(st.sampled_from(sorted(world)))
    after = card_verdict(files_of(world), {**world, lucky: [*world[lucky], more]}, policy)
    assert after.safe_to_erase >= before.safe_to_erase


@given(world=worlds, policy=policies, data=st.data())
def test_a_card_without_its_off_computer_copy_is_never_safe(world, policy, data):
    unlucky = data.draw(st.sampled_from(sorted(world)))
    only_here = [copy for copy in world[unlucky] if not copy.off_computer]
    assert not card_verdict(files_of(world), {**world, unlucky: only_here}, policy).safe_to_erase


@given(world=worlds, policy=policies)
def test_a_refused_file_blocks_a_card_that_would_be_safe(world, policy):
    refusal = Refusal(path="x", code="unreadable", reason="it cannot be read")
    files = [*files_of(world), OnCard(path="x", refusal=refusal)]
    assert not card_verdict(files, world, policy).safe_to_erase


names = st.sampled_from(["archive", "office", "attic"])
named_copies = st.builds(
    CopyPlace,
    place_id=st.sampled_from(["a", "b", "c"]),
    name=names,
    off_computer=st.booleans(),
    verified_at=st.none() | st.integers(-40, 1).map(lambda days: NOW + timedelta(days=days)),
    found_bad_at=st.none() | st.integers(-40, 1).map(lambda days: NOW + timedelta(days=days)),
)
placed_worlds = st.dictionaries(
    st.integers(1, 4).map(digest), st.lists(named_copies, max_size=5), min_size=1, max_size=3
)
moments_now = st.dictionaries(names, st.booleans()).map(lambda places: Now(at=NOW, places=places))


def worsened(data, world, now):
    """The same world after one loss: a place removed, out of reach, read longer ago, found bad, or time passed."""
    where = data.draw(names)

    def changed(**change):
        return {
            sha: [replace(one, **change) if one.name == where else one for one in copies]
            for sha, copies in world.items()
        }

    days = timedelta(days=data.draw(st.integers(1, 60)))
    rest = {name: up for name, up in now.places.items() if name != where}
    aged = {
        sha: [
            replace(one, verified_at=one.verified_at - days) if one.verified_at and one.name == where else one
            for one in copies
        ]
        for sha, copies in world.items()
    }
    gone = {sha: [one for one in copies if one.name != where] for sha, copies in world.items()}
    return data.draw(
        st.sampled_from(
            [
                (world, replace(now, places=rest)),
                (world, replace(now, places={**rest, **({where: False} if where in now.places else {})})),
                (world, replace(now, at=now.at + days)),
                (aged, now),
                (changed(found_bad_at=NOW + timedelta(days=2)), now),
                (changed(verified_at=None), now),
                (gone, now),
            ]
        )
    )


@given(world=placed_worlds, policy=policies, now=moments_now, data=st.data())
def test_no_loss_ever_turns_an_unsafe_card_into_a_safe_one(world, policy, now, data):
    before = copies_room.card_verdict(files_of(world), world, policy, now)
    worse, later = worsened(data, world, now)
    after = copies_room.card_verdict(files_of(world), worse, policy, later)
    assert after.safe_to_erase <= before.safe_to_erase


@given(world=placed_worlds, policy=policies, now=moments_now, came=st.integers(1, 50))
def test_a_card_that_grew_is_never_safe_to_erase_and_says_by_how_much(world, policy, now, came):
    verdict = copies_room.card_verdict(files_of(world), world, policy, now, came_since=came)
    still = copies_room.card_verdict(files_of(world), world, policy, now)
    assert not verdict.safe_to_erase
    assert verdict.safe_as_seen is still.safe_to_erase
    assert verdict.reasons[-1].startswith("1 file came" if came == 1 else f"{came} files came")


@pytest.mark.parametrize(
    ("days_ago", "reachable", "safe"),
    [(30, False, True), (31, False, False), (31, True, True), (0, False, True)],
)
def test_a_place_that_is_away_counts_for_the_days_of_the_policy(days_ago, reachable, safe):
    share = replace(SHARE, verified_at=NOW - timedelta(days=days_ago))
    now = Now(at=NOW, places={"laptop": True, "office share": reachable})
    verdict = copies_room.card_verdict(card(1), everywhere(card(1), LAPTOP, share), SafetyPolicy(), now)
    assert verdict.safe_to_erase is safe
    assert [(one.name, one.files, one.counted, one.reachable) for one in verdict.places] == [
        ("laptop", 1, 1, True),
        ("office share", 1, int(safe), reachable),
    ]
    assert verdict.places[1].read_back == share.verified_at


def test_a_place_that_the_settings_no_longer_name_is_listed_and_does_not_count():
    now = Now(at=NOW, places={"laptop": True})
    verdict = copies_room.card_verdict(card(1), everywhere(card(1), LAPTOP, SHARE), SafetyPolicy(), now)
    assert not verdict.safe_to_erase
    assert (
        "The settings no longer name office share, so its copy of 1 file does not count." in verdict.reasons
    )
    assert [(one.name, one.named, one.counted) for one in verdict.places] == [
        ("laptop", True, 1),
        ("office share", False, 0),
    ]


@pytest.mark.parametrize(
    ("kept", "purged", "words"),
    [
        (2, 1, "1 file belonged to a claim that was purged since. The copies were removed on purpose; the card may still hold it."),
        (0, 3, "Nothing of this card is kept any more: 3 files belonged to claims that were purged since."),
    ],
)  # fmt: skip
def test_files_of_purged_claims_need_no_copy_and_are_counted(kept, purged, words):
    files = card(kept)
    verdict = card_verdict(files, everywhere(files, LAPTOP, SHARE), SafetyPolicy(), purged=purged)
    assert verdict.safe_to_erase
    assert words in " ".join(verdict.reasons)
    lacking = card_verdict(card(1), {}, SafetyPolicy(), purged=purged)
    assert not lacking.safe_to_erase
