"""Decisions as types: how they are stored, what each changes, and that older catalogs and bags are still read."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime
from typing import get_args

import pytest

from evidence.catalog import decision_json as codec
from evidence.catalog import decisions as d
from evidence.errors import BadInputError
from evidence.model import ClaimId, ClaimState, Facet, Sha256

ONE, TWO = Sha256("1" * 64), Sha256("2" * 64)
TC1, TC2 = ClaimId("TC-1"), ClaimId("TC-2")
EARLIER = d.EarlierState(state=ClaimState.OPEN)

# The texts are what the columns `before` and `after` held before decisions had types.
STORED = [
    (
        "move",
        f'{{"{ONE}":"TC-1"}}',
        f'{{"photos":["{ONE}"],"claim":null,"to":"unassigned"}}',
        d.Move(replaced={ONE: TC1}, photos=(ONE,), claim=None),
    ),
    (
        "name",
        f'{{"{ONE}":null}}',
        f'{{"photos":["{ONE}"],"claim":"TC-2","segment":"2026-05-14/2","to":"TC-2"}}',
        d.Name(replaced={ONE: None}, photos=(ONE,), claim=TC2, segment="2026-05-14/2"),
    ),
    (
        "shift",
        f'{{"{ONE}":"TC-1","{TWO}":"TC-2"}}',
        f'{{"boundary":"{TWO}","to":"{ONE}","claims":{{"{ONE}":"TC-2","{TWO}":null}}}}',
        d.Shift(replaced={ONE: TC1, TWO: TC2}, boundary=TWO, to=ONE, claims={ONE: TC2, TWO: None}),
    ),
    ("cut", f'{{"{ONE}":"TC-1"}}', f'{{"before":"{ONE}"}}', d.Cut(replaced={ONE: TC1}, before=ONE)),
    ("join", f'{{"{ONE}":null}}', f'{{"before":"{ONE}"}}', d.Join(replaced={ONE: None}, before=ONE)),
    (
        "tag",
        f'{{"{ONE}":{{"face":null,"count":"8"}}}}',
        f'{{"{ONE}":{{"face":"left","count":null}}}}',
        d.Tag(
            replaced={ONE: {Facet.FACE: None, Facet.COUNT: "8"}},
            stated={ONE: {Facet.FACE: "left", Facet.COUNT: None}},
        ),
    ),
    (
        "caption",
        '"A dent"',
        f'{{"photo":"{ONE}","text":"A dent, 20 mm"}}',
        d.Caption(replaced="A dent", photo=ONE, text="A dent, 20 mm"),
    ),
    (
        "leave_out",
        "null",
        f'{{"stay":["{ONE}"],"left_out":["{TWO}"]}}',
        d.LeaveOut(stay=(ONE,), left_out=(TWO,)),
    ),
    (
        "likeness",
        "null",
        f'{{"photo":"{ONE}","others":["{TWO}"],"answer":"look_into"}}',
        d.AnswerLikeness(photo=ONE, others=(TWO,), answer=d.LikenessAnswer.LOOK_INTO),
    ),
    (
        "waive",
        "null",
        '{"claim":"TC-1","requirement":"elevation","place":"left","why":"shared wall"}',
        d.Waive(replaced=None, claim=TC1, requirement="elevation", place="left", why="shared wall"),
    ),
    (
        "waive",
        '{"by":"Rita","why":"none here","at":"2026-05-15T08:00:00+00:00"}',
        '{"claim":"TC-1","requirement":"ridge","place":"","why":"flat roof"}',
        d.Waive(
            replaced=d.EarlierWaiver(by="Rita", why="none here", at=datetime(2026, 5, 15, 8, tzinfo=UTC)),
            claim=TC1,
            requirement="ridge",
            place="",
            why="flat roof",
        ),
    ),
    (
        "sign",
        '{"state":"open"}',
        (
            f'{{"note":"seen","list":"hail","version":7,"met":{{"elevation left":["{ONE}"]}},'
            '"waived":{"ridge":"flat roof"},"flags":["no_time: 1 photo has no time"]}'
        ),
        d.Sign(
            replaced=EARLIER,
            note="seen",
            shot_list="hail",
            version=7,
            met={"elevation left": (ONE,)},
            waived={"ridge": "flat roof"},
            flags=("no_time: 1 photo has no time",),
        ),
    ),
    (
        "return",
        '{"state":"open"}',
        '{"note":"","missing":["left elevation"],"confirm":["ridge"],"safety":"Stay off the roof."}',
        d.SendBack(
            replaced=EARLIER, missing=("left elevation",), confirm=("ridge",), safety="Stay off the roof."
        ),
    ),
    ("take_back", '{"state":"open"}', '{"note":"why"}', d.TakeBack(replaced=EARLIER, note="why")),
    ("closed", "null", '{"on":"2026-05-20"}', d.Close(on=date(2026, 5, 20))),
    ("reopened", "null", '{"on":"2026-05-21"}', d.Reopen(on=date(2026, 5, 21))),
    (
        "event",
        '"2026-05-20"',
        '{"event":"settled","on":"2026-05-21","why":"letter"}',
        d.Event(replaced=date(2026, 5, 20), event="settled", on=date(2026, 5, 21), why="letter"),
    ),
    (
        "event",
        "null",
        '{"event":"settled","on":null,"why":""}',
        d.Event(replaced=None, event="settled", on=None),
    ),
    (
        "rules_seen",
        "null",
        '{"digest":"ab","rules":{"customary":"cd"}}',
        d.RulesSeen(replaced=None, digest="ab", rules={"customary": "cd"}),
    ),
    (
        "floor_asked",
        "null",
        '{"rule":"customary","years":3,"why":"contract"}',
        d.AskFloor(rule="customary", years=3, why="contract"),
    ),
    ("floor_agreed", "null", '{"asked":7}', d.AgreeFloor(asked=7)),
    ("floor_ended", "null", '{"asked":7,"why":"expired"}', d.EndFloor(asked=7, why="expired")),
]
every = pytest.mark.parametrize(
    ("kind", "before", "after", "decision"), STORED, ids=[f"{one[0]}-{n}" for n, one in enumerate(STORED)]
)


def test_the_set_is_closed_and_every_kind_is_tried_here():
    assert set(codec.KINDS.values()) == set(get_args(d.AnyDecision))
    assert {one[0] for one in STORED} == set(codec.KINDS)


@every
def test_what_an_earlier_program_stored_is_still_read(kind, before, after, decision):
    assert codec.decode(kind, json.loads(before), json.loads(after)) == decision


@every
def test_the_stored_shape_is_as_it_was(kind, before, after, decision):
    def same(now, then):
        then = (
            {key: value for key, value in then.items() if key != "to"} if kind in ("move", "name") else then
        )
        if isinstance(then, dict) and "at" in then:
            now, then = ({**one, "at": datetime.fromisoformat(one["at"])} for one in (now, then))
        return now == then

    assert decision.kind == kind
    now_before, now_after = codec.encode(decision)
    assert same(now_before, json.loads(before))
    assert same(now_after, json.loads(after))


@every
def test_a_record_of_a_bag_gives_the_decision_again(kind, before, after, decision):
    row = d.DecisionRow(
        number=3, at=datetime(2026, 5, 15, tzinfo=UTC), actor="Rita", claim=TC1, decision=decision
    )
    record = json.loads(json.dumps(codec.as_record(row)))
    assert set(record) == {"number", "at", "actor", "kind", "claim", "before", "after", "undone"}
    assert codec.decode(record["kind"], record["before"], record["after"]) == decision


@pytest.mark.parametrize(
    ("kind", "before", "after"),
    [
        pytest.param("praise", None, {}, id="a kind of a newer program"),
        pytest.param("cut", {}, {"before": ONE, "depth": 2}, id="a field of a newer program"),
        pytest.param("closed", None, {"on": "one day"}, id="no date"),
        pytest.param("tag", {}, {ONE: {"mood": "calm"}}, id="an unknown facet"),
    ],
)
def test_data_of_no_known_decision_is_refused_instead_of_losing_a_part_of_it(kind, before, after):
    with pytest.raises(BadInputError, match=f"kind '{kind}' cannot be read"):
        codec.decode(kind, before, after)


def test_the_groups_hold_the_kinds_that_may_be_undone_and_those_that_may_not():
    assert codec.kinds_of(d.SplitCorrection) == ["cut", "join", "move", "name", "shift"]
    assert codec.kinds_of(d.Correction) == [
        "caption", "cut", "join", "leave_out", "likeness", "move", "name", "shift", "tag", "waive",
    ]  # fmt: skip
    assert codec.kinds_of(d.ReviewDecision) == ["return", "sign", "take_back"]
    assert codec.kinds_of(d.Closure) == ["closed", "reopened"]
    assert codec.kinds_of(d.Decision) == sorted(codec.KINDS)


def test_each_decision_says_which_photos_it_is_about_and_what_it_changes():
    by_kind = {one[0]: one[3] for one in STORED}
    assert by_kind["move"].about() == (ONE,)
    assert by_kind["shift"].about() == (ONE, TWO)
    assert by_kind["tag"].about() == (ONE,)
    assert by_kind["sign"].about() == by_kind["waive"].about() == ()
    assert by_kind["move"].touches() == by_kind["name"].touches() == {(ONE, "claim")}
    assert by_kind["cut"].touches() == by_kind["join"].touches() == {(ONE, "boundary")}
    assert by_kind["shift"].touches() == {
        (ONE, "claim"),
        (TWO, "claim"),
        (TWO, "boundary"),
        (ONE, "boundary"),
    }
    assert by_kind["tag"].touches() == {(ONE, "face"), (ONE, "count")}
    assert by_kind["waive"].touches() == {("TC-1 ridge ", "waiver")}
    assert by_kind["closed"].touches() == frozenset()
