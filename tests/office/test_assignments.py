"""The office's list of claims is read whole or not at all."""

from __future__ import annotations

import json
from datetime import date, datetime

import pytest
from support_board import digest, put_photos
from support_cli import cli, make_archive

from evidence.catalog.decisions import Move
from evidence.catalog.records import Kind
from evidence.errors import BadInputError, DestinationError
from evidence.model import ClaimId, GeoPoint
from evidence.office.assignments import remove_assignment
from evidence.office.claim_list.reading import read_claim_list
from evidence.office.holds import place_hold
from evidence.office.retention import close_claim
from evidence.workspace import Workspace

HEADER = "claim,insured,address,lat,lon,loss_date,peril,jurisdiction,stories\n"


def write(tmp_path, text, encoding="utf-8"):
    path = tmp_path / "claims.csv"
    path.write_bytes(text.encode(encoding))
    return path


def test_every_column_is_read(tmp_path):
    path = write(tmp_path, HEADER + 'TC-1,"Ng, Ann",12 Elm St,39.7392,-104.9903,2026-05-09,Hail,CO,2\n')
    (claim,) = read_claim_list(path).claims.values()
    assert claim.insured == "Ng, Ann"
    assert claim.place == GeoPoint(lat=39.7392, lon=-104.9903)
    assert (claim.loss_date, claim.peril, claim.stories) == (date(2026, 5, 9), "hail", 2)


def test_the_columns_that_the_report_names_are_read_and_shown_again_after_a_rebuild(tmp_path):
    archive = make_archive(tmp_path)
    text = (
        "claim,policy_number,carrier,adjuster,inspector,inspection_start,inspection_end\n"
        "TC-1,P-77,Elder Mutual,A. Quill,B. Tarn,2026-05-14 08:30,2026-05-14T10:00\n"
    )
    cli("assignments", write(tmp_path, text), archive=archive)
    with Workspace(archive) as here:
        loaded = here.catalog.claims.get("TC-1").claim
    assert (loaded.policy_number, loaded.carrier) == ("P-77", "Elder Mutual")
    assert (loaded.adjuster, loaded.inspector) == ("A. Quill", "B. Tarn")
    assert loaded.inspection_start == datetime(2026, 5, 14, 8, 30)
    assert loaded.inspection_end == datetime(2026, 5, 14, 10, 0)
    assert cli("rebuild", archive=archive).status == 0
    with Workspace(archive) as here:
        assert here.catalog.claims.get("TC-1").claim == loaded


def test_only_the_claim_number_is_required_and_a_spreadsheets_byte_order_mark_is_no_part_of_it(tmp_path):
    path = write(tmp_path, "claim\nTC-1\nTC-2\n", "utf-8-sig")
    assert [one.claim for one in read_claim_list(path).claims.values()] == ["TC-1", "TC-2"]


@pytest.mark.parametrize(
    ("text", "encoding", "words"),
    [
        pytest.param("claim,insurred\nTC-1,X\n", "utf-8", ["insurred", "insured"], id="misspelt heading"),
        pytest.param("insured\nX\n", "utf-8", ["no column 'claim'"], id="no claim column"),
        pytest.param("claim,claim\nA,B\n", "utf-8", ["twice"], id="doubled heading"),
        pytest.param("claim\nTC-1\nTC-1\n", "utf-8", ["line 3", "line 2"], id="claim twice"),
        pytest.param("claim,lat,lon\nTC-1,139.7,-104.9\n", "utf-8", ["line 2", "139.7", "90"], id="latitude"),
        pytest.param("claim,lat,lon\nTC-1,nan,-104.9\n", "utf-8", ["nan"], id="latitude that is no number"),
        pytest.param("claim,lat,lon\nTC-1,39.7,\n", "utf-8", ["go together"], id="half a position"),
        pytest.param("claim,loss_date\nTC-1,May 9\n", "utf-8", ["May 9", "2026-05-14"], id="date"),
        pytest.param("claim,loss_date\nTC-1,31.02.2026\n", "utf-8", ["31.02.2026"], id="no such day"),
        pytest.param("claim,loss_date\nTC-1,05/09/2026\n", "utf-8", ["--dates"], id="a day that can be two"),
        pytest.param(
            "claim,inspection_start\nTC-1,2026-05-14\n", "utf-8", ["2026-05-14 09:30"], id="day without time"
        ),
        pytest.param(
            "claim,inspection_start\nTC-1,2026-05-14T09:00Z\n", "utf-8", ["local"], id="time with a zone"
        ),
        pytest.param(
            "claim,inspection_start,inspection_end\nTC-1,2026-05-14 09:00,2026-05-14 08:00\n",
            "utf-8",
            ["before"],
            id="window that ends before it starts",
        ),
        pytest.param("claim,stories\nTC-1,two\n", "utf-8", ["two"], id="stories"),
        pytest.param("claim,insured\nTC-1,Ng, Ann\n", "utf-8", ["3 cells"], id="comma without quotes"),
        pytest.param('claim,insured\nTC-1,"Ng\n', "utf-8", ["quotes"], id="open quote"),
        pytest.param("claim\n\n", "utf-8", ["no claims"], id="empty list"),
        pytest.param("claim\nunassigned\n", "utf-8", ["unassigned"], id="the tray's own name"),
    ],
)
def test_a_faulty_list_is_refused_in_one_line_and_changes_nothing(tmp_path, text, encoding, words):
    archive = make_archive(tmp_path)
    refused = cli("assignments", write(tmp_path, text, encoding), archive=archive)
    assert refused.status == 2
    assert refused.err.count("\n") == 1
    for word in words:
        assert word in refused.err
    assert cli("claims", "--json", archive=archive).data == []


def test_loading_again_updates_and_counts(tmp_path):
    archive = make_archive(tmp_path)
    cli("assignments", write(tmp_path, "claim,insured\nTC-1,Ann\nTC-2,Bob\n"), archive=archive)
    again = cli(
        "assignments", write(tmp_path, "claim,insured\nTC-1,Anne\nTC-3,Cy\n"), "--json", archive=archive
    )
    assert again.data == {
        "added": 1,
        "updated": 1,
        "refused": [],
        "notes": [],
        "dry_run": False,
        "changes": [],
    }


ALIKE = [("TC-1", "tc-1"), ("TC 1", "TC  1"), ("\u00e9-1", "e\u0301-1"), ("TC-1", "\uff34C-1")]
"""Unicode Standard Annex 15: both forms of an accented letter, and a full-width letter, are equal under NFKC."""


@pytest.mark.parametrize(("one", "other"), ALIKE)
def test_one_file_does_not_have_a_number_in_two_spellings(tmp_path, one, other):
    with pytest.raises(BadInputError, match="already on line 2"):
        read_claim_list(write(tmp_path, f"claim\n{one}\n{other}\n"))


@pytest.mark.parametrize(("one", "other"), ALIKE)
def test_a_known_number_in_another_spelling_makes_no_second_claim(tmp_path, one, other):
    archive = make_archive(tmp_path)
    assert cli("assignments", write(tmp_path, f"claim\n{one}\n"), archive=archive).status == 0
    listed = write(tmp_path, f"claim\n{other}\nTC-2\n")
    for dry_run in (["--dry-run"], []):
        ran = cli("assignments", listed, *dry_run, "--json", archive=archive)
        assert (ran.status, ran.data["added"]) == (1, 1)
        assert [row["claim"] for row in ran.data["refused"]] == [other]
        assert f"as {one};" in ran.data["refused"][0]["reason"]
    assert {row["claim"] for row in cli("claims", "--json", archive=archive).data} == {one, "TC-2"}


def test_a_date_of_loss_with_a_mistyped_century_is_noted(tmp_path):
    archive = make_archive(tmp_path)
    ran = cli("assignments", write(tmp_path, "claim,loss_date\nTC-1,0026-04-28\n"), "--json", archive=archive)
    assert ran.data["notes"] == [
        "Line 2: claim TC-1 has a date of loss long ago, 0026-04-28. Check the year."
    ]


def test_a_name_that_no_page_has_room_for_is_refused(tmp_path):
    with pytest.raises(BadInputError, match="insured is too long"):
        read_claim_list(write(tmp_path, f"claim,insured\nTC-1,{'A' * 301}\n"))


def test_a_long_list_shows_how_far_its_record_files_are_and_a_fault_repeats_no_finished_batch(
    tmp_path, monkeypatch
):
    from evidence.filing import record_files

    archive = make_archive(tmp_path)
    monkeypatch.setattr(record_files, "_BATCH", 10)
    written, write_file = [], record_files._write

    def failing(path, *rest):
        if len(written) == 24:
            raise DestinationError("The disk is full.", "Free some space.")
        written.append(path)
        write_file(path, *rest)

    listed = write(tmp_path, "claim\n" + "".join(f"TC-{number}\n" for number in range(35)))
    with monkeypatch.context() as fault:
        fault.setattr(record_files, "_write", failing)
        assert cli("assignments", listed, archive=archive).status == 23
    with Workspace(archive) as here:
        claims = [one for one in here.catalog.records.due() if one.kind is Kind.CLAIM]
    assert len(claims) == 15
    ran = cli("assignments", listed, archive=archive)
    assert ran.status == 0
    assert "Writing the record files: 36 of 36" in ran.err
    assert len(list((archive / "records" / "claims").glob("*.json"))) == 35


def test_an_error_has_one_json_shape(tmp_path):
    archive = make_archive(tmp_path)
    refused = cli("assignments", tmp_path / "nowhere.csv", "--json", archive=archive)
    assert set(json.loads(refused.out)["error"]) == {"code", "message", "fix"}


def test_reading_a_missing_file_says_so(tmp_path):
    with pytest.raises(BadInputError, match="no file"):
        read_claim_list(tmp_path / "nowhere.csv")


@pytest.fixture
def three_claims(tmp_path):
    archive = make_archive(tmp_path)
    assert cli("assignments", write(tmp_path, "claim\nTC-1\nTC-2\nTC-3\n"), archive=archive).status == 0
    return archive


def claims_of(archive):
    with Workspace(archive) as here:
        return [row.claim.claim for row in here.catalog.claims.all()]


def test_a_claim_loaded_by_mistake_is_removed_also_from_a_rebuilt_catalog(three_claims):
    ran = cli("assignments", "--remove", "tc-2", "--json", archive=three_claims)
    assert ran.data == {"removed": "TC-2"}
    assert claims_of(three_claims) == ["TC-1", "TC-3"]
    assert cli("rebuild", archive=three_claims).status == 0
    assert claims_of(three_claims) == ["TC-1", "TC-3"]
    with Workspace(three_claims) as here:
        assert [one.subject for one in here.custody.entries() if one.action == "assignment_removed"] == [
            "TC-2"
        ]


def test_a_claim_that_is_more_than_a_line_of_the_list_is_not_removed(three_claims):
    with Workspace(three_claims, actor="office") as here:
        put_photos(here, "TC-1", 2, originals=False)
        place_hold(here, "TC-2", reason="suit filed")
        close_claim(here, "TC-3", on=date(2026, 6, 1))
    for claim, why in {"TC-1": "2 photos", "TC-2": "held", "TC-3": "decided"}.items():
        ran = cli("assignments", "--remove", claim, archive=three_claims)
        assert ran.status == 2
        assert why in ran.err
    assert claims_of(three_claims) == ["TC-1", "TC-2", "TC-3"]


def test_a_claim_that_photos_were_moved_to_is_not_removed_while_that_move_counts(three_claims):
    with Workspace(three_claims, actor="office") as here:
        move = Move(photos=(digest("one"),), claim=ClaimId("TC-1"), replaced={digest("one"): ClaimId("TC-2")})
        here.catalog.claims.record(move, claim=ClaimId("TC-2"), at=here.now(), actor="office")
        with pytest.raises(BadInputError, match="once placed"):
            remove_assignment(here, ClaimId("TC-1"))


@pytest.mark.parametrize("arguments", [(), ("claims.csv", "--remove", "TC-1")])
def test_a_file_or_remove_is_needed(three_claims, arguments):
    ran = cli("assignments", *arguments, archive=three_claims)
    assert ran.status == 2
    assert "either a file or --remove" in ran.err
