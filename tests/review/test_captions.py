"""Captions for the report: written once, undone once, kept in the bag, never over somebody else's."""

from __future__ import annotations

import hashlib
import json
import shutil

import pytest
from support_cli import cli

from evidence.catalog.decisions import Caption
from evidence.errors import BadInputError
from evidence.filing.bags import file_away
from evidence.model import ClaimId, ClaimState
from evidence.review.captions import MOST_CAPTION, write_caption
from evidence.review.staleness import ChangedError
from evidence.review.undo import undo
from evidence.workspace import Workspace

BD1 = ClaimId("BD-1")


def caption_of(workspace, sha):
    return workspace.catalog.photos.records([sha])[0].caption


def test_a_caption_is_stored_raises_the_claims_version_and_is_undone_by_one_undo(workspace, claim):
    before = workspace.catalog.claims.get(BD1).version
    first = write_caption(workspace, claim[3], "  Dent in the   gutter, 20 mm ")
    assert caption_of(workspace, claim[3]) == "Dent in the gutter, 20 mm"
    assert workspace.catalog.claims.get(BD1).version > before
    second = write_caption(workspace, claim[3], "Two dents")
    with pytest.raises(BadInputError, match="since"):
        undo(workspace, first)
    undo(workspace, second)
    assert caption_of(workspace, claim[3]) == "Dent in the gutter, 20 mm"
    undo(workspace)
    assert caption_of(workspace, claim[3]) == ""
    assert workspace.catalog.claims.decisions(Caption) == []


def test_a_text_that_is_already_there_is_no_decision(workspace, claim):
    write_caption(workspace, claim[3], "A dent")
    assert write_caption(workspace, claim[3], "A  dent") == 0
    assert len(workspace.catalog.claims.decisions(Caption)) == 1


def test_the_log_names_the_photo_and_proves_the_text_without_holding_it(workspace, claim):
    """The log stays when the claim is purged, and a caption may name a person."""
    write_caption(workspace, claim[3], "Seen with Ms Ng")
    entry = list(workspace.custody.about(claim[3], ""))[-1]
    assert entry.action == "captioned"
    assert entry.details["sha256"] == hashlib.sha256(b"Seen with Ms Ng").hexdigest()
    assert "Ng" not in json.dumps(entry.details)


def test_a_caption_that_somebody_else_changed_since_is_not_overwritten(workspace, claim):
    write_caption(workspace, claim[3], "Hers", seen="")
    with pytest.raises(ChangedError, match="Hers"):
        write_caption(workspace, claim[3], "His", seen="")
    assert caption_of(workspace, claim[3]) == "Hers"


@pytest.mark.parametrize("text", ["x" * (MOST_CAPTION + 1), "tab\u202eback"], ids=["too long", "unprintable"])
def test_a_text_that_no_report_can_print_is_refused(workspace, claim, text):
    with pytest.raises(BadInputError, match="too long or not printable"):
        write_caption(workspace, claim[3], text)


def test_a_signed_claim_keeps_its_captions(workspace, claim):
    workspace.catalog.claims.set_state(BD1, ClaimState.SIGNED)
    with pytest.raises(BadInputError, match="captions stay"):
        write_caption(workspace, claim[3], "too late")


def test_the_bags_records_hold_the_caption(bagged):
    workspace = bagged
    number = next(row.claim.claim for row in workspace.catalog.claims.all() if row.folder)
    sha = workspace.catalog.photos.of_claim(number)[0].sha256
    write_caption(workspace, sha, "A dent, ruler beside it")
    file_away(workspace)
    (records,) = workspace.claims.glob(f"{number}*/records/photos.json")
    listed = json.loads(records.read_text(encoding="utf-8"))
    assert [one["record"]["caption"] for one in listed if one["record"]["sha256"] == sha] == [
        "A dent, ruler beside it"
    ]


def test_a_rebuild_brings_back_the_caption_and_its_decision(two_houses_archive, tmp_path):
    archive = tmp_path / "archive"
    shutil.copytree(two_houses_archive, archive)
    with Workspace(archive, actor="Rhea") as workspace:
        number = next(row.claim.claim for row in workspace.catalog.claims.all() if row.folder)
        sha = workspace.catalog.photos.of_claim(number)[0].sha256
        decision = write_caption(workspace, sha, "A dent, ruler beside it")
        file_away(workspace)
    (archive / "catalog.sqlite").unlink()
    assert cli("rebuild", archive=archive).status in {0, 1}
    with Workspace(archive, actor="Rhea") as workspace:
        assert caption_of(workspace, sha) == "A dent, ruler beside it"
        undo(workspace, decision)
        assert caption_of(workspace, sha) == ""
