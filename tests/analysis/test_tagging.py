"""Tags are made anew from the catalog: people's words stay, guesses stay guesses, only changes count."""

from __future__ import annotations

from support_analysis import Described
from support_board import facet_value, put_claim, put_photos

from evidence.analysis.tagging import tag_claims
from evidence.model import Facet, Role, Source


def test_what_a_person_stated_stays_the_tag_and_every_other_photo_gets_a_guess(workspace):
    put_claim(workspace, "AN-1")
    shas = put_photos(workspace, "AN-1", 4, tags={2: (facet_value(Facet.FACE, "back"),)}, originals=False)
    assert tag_claims(workspace, ["AN-1"]) == {"AN-1"}
    tags = {record.sha256: record.tags for record in workspace.catalog.photos.of_claim("AN-1")}
    face = tags[shas[2]][Facet.FACE]
    assert (face.value, face.source, face.confidence) == ("back", Source.PERSON, 1.0)
    others = [value for sha in shas if sha != shas[2] for value in tags[sha].values()]
    assert others
    assert not any(value.stated for value in others)
    assert all(0 < value.confidence < 1 for value in others)


def test_a_claim_whose_tags_stay_the_same_is_not_touched(workspace):
    put_claim(workspace, "AN-1")
    put_photos(workspace, "AN-1", 3, originals=False)
    assert tag_claims(workspace, ["AN-1"]) == {"AN-1"}
    assert tag_claims(workspace, ["AN-1"]) == set()


def test_the_sheet_of_a_claim_is_tagged_as_one(workspace):
    put_claim(workspace, "AN-1")
    card = Described(workspace)
    sheet, *_ = card.house("AN-1", 3)
    card.enter()
    assert tag_claims(workspace, [None]) == {None}
    (record,) = workspace.catalog.photos.records([sheet])
    assert record.tags[Facet.ROLE].value == Role.DIVIDER


def test_an_empty_claim_is_tagged_without_change(workspace):
    put_claim(workspace, "AN-1")
    assert tag_claims(workspace, ["AN-1", None]) == set()
