"""Lists of claims as offices send them: delimiters, encodings, headings, dates, workbooks, and all faults at once."""

from __future__ import annotations

import io
import zipfile
from datetime import date, datetime

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from support_cli import cli, make_archive

from evidence.errors import BadInputError
from evidence.model import GeoPoint
from evidence.office.claim_list import table_file
from evidence.office.claim_list.days import DayOrder, order_of, read_day
from evidence.office.claim_list.headings import SYNONYMS, column_of
from evidence.office.claim_list.reading import AmbiguousDatesError, read_claim_list


def write(tmp_path, content, name="claims.csv"):
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def only(path, **more):
    (claim,) = read_claim_list(path, **more).claims.values()
    return claim


@pytest.mark.parametrize("ending", ["\n", "\r\n"], ids=["LF", "CRLF"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"], ids=["comma", "semicolon", "tab"])
def test_the_same_list_is_read_whatever_the_delimiter_encoding_and_line_end(
    tmp_path, delimiter, encoding, ending
):
    rows = [["claim", "insured", "address"], ["TC-1", "Zoë Müller", "12 Elm St"]]
    text = ending.join(delimiter.join(row) for row in rows) + ending
    claim = only(write(tmp_path, text.encode(encoding)))
    assert (claim.claim, claim.insured, claim.address) == ("TC-1", "Zoë Müller", "12 Elm St")


def test_text_that_is_not_utf_8_is_read_as_windows_1252_and_a_note_tells_it(tmp_path):
    read = read_claim_list(write(tmp_path, "claim,insured\nTC-1,Müller \u20ac\n".encode("cp1252")))
    assert read.claims[2].insured == "Müller \u20ac"
    assert "Windows-1252" in read.notes[0]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        pytest.param(b"claim\n\x81\x8d\n", "neither UTF-8 nor Windows-1252", id="no text"),
        pytest.param(b"\xd0\xcf\x11\xe0" + bytes(500), "before xlsx", id="old workbook"),
        pytest.param(b"PK\x03\x04" + bytes(500), "damaged workbook", id="broken zip"),
        pytest.param(b"claim\n\0\0\n", "not a text file", id="NUL"),
        pytest.param(b"", "no claims", id="empty"),
    ],
)
def test_a_file_that_is_no_list_is_refused_with_what_to_do(tmp_path, content, words):
    with pytest.raises(BadInputError, match=words):
        read_claim_list(write(tmp_path, content))


def test_a_stated_delimiter_above_the_heading_is_used_and_the_lines_still_count(tmp_path):
    path = write(tmp_path, "sep=;\nclaim;insured\nTC-1;Ng, Ann\n;nobody\n")
    with pytest.raises(BadInputError, match="line 4"):
        read_claim_list(path)


def test_a_decimal_comma_is_read_where_the_comma_divides_no_cells(tmp_path):
    path = write(tmp_path, "claim;lat;lon\nTC-1;39,7392;-104,9903\n")
    assert only(path).place == GeoPoint(lat=39.7392, lon=-104.9903)


# --- headings ---


@pytest.mark.parametrize("column", SYNONYMS)
def test_a_heading_is_known_in_capitals_with_underscores_and_by_other_words(column):
    for word in (column, *SYNONYMS[column]):
        for spelt in (word, word.upper(), word.replace(" ", "_"), f"  {word.title()} ", f"{word}:"):
            assert column_of(spelt) == column, spelt


def test_headings_may_stand_in_any_order_and_other_columns_are_left_out_with_a_note(tmp_path):
    path = write(tmp_path, "Reserve,Date of Loss,Named Insured,Claim #,Diary\n9,2026-05-09,Ann,TC-1,x\n")
    read = read_claim_list(path)
    assert (read.claims[2].insured, read.claims[2].loss_date) == ("Ann", date(2026, 5, 9))
    assert read.notes == ("Left out: the columns 'Reserve', 'Diary'.",)


# --- dates ---


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        pytest.param(["2026-04-28"], [date(2026, 4, 28)], id="year first"),
        pytest.param(["04/28/2026", "04/05/2026"], [date(2026, 4, 28), date(2026, 4, 5)], id="month first"),
        pytest.param(["28.04.2026", "04.05.2026"], [date(2026, 4, 28), date(2026, 5, 4)], id="day first"),
        pytest.param(
            ["4/5/2026", "13/4/2026"], [date(2026, 5, 4), date(2026, 4, 13)], id="decided by a later line"
        ),
        pytest.param(["04/04/2026"], [date(2026, 4, 4)], id="the same day both ways"),
        pytest.param(["2026-04-28 00:00:00"], [date(2026, 4, 28)], id="with a midnight"),
    ],
)
def test_month_and_day_are_told_apart_by_the_whole_column(tmp_path, cells, expected):
    lines = [f"TC-{n},{cell}" for n, cell in enumerate(cells)]
    path = write(tmp_path, "\n".join(["claim,loss_date", *lines]))
    assert [one.loss_date for one in read_claim_list(path).claims.values()] == expected


def test_a_column_that_no_date_decides_is_refused_until_the_order_is_stated(tmp_path):
    path = write(tmp_path, "claim,Date of Loss\nTC-1,04/05/2026\nTC-2,06.06.2026\n")
    with pytest.raises(AmbiguousDatesError, match=r"04/05/2026.*Date of Loss.*--dates"):
        read_claim_list(path)
    assert read_claim_list(path, dates=DayOrder.MONTH_FIRST).claims[2].loss_date == date(2026, 4, 5)
    assert read_claim_list(path, dates=DayOrder.DAY_FIRST).claims[2].loss_date == date(2026, 5, 4)


def test_two_dates_that_contradict_each_other_are_a_fault_with_both_lines(tmp_path):
    path = write(tmp_path, "claim,loss_date\nTC-1,04/28/2026\nTC-2,28/04/2026\n")
    with pytest.raises(BadInputError, match="line 2 has the month first, line 3 the day"):
        read_claim_list(path)


def test_a_stated_order_that_a_cell_contradicts_is_a_fault(tmp_path):
    path = write(tmp_path, "claim,loss_date\nTC-1,04/28/2026\n")
    with pytest.raises(BadInputError, match="with the day first"):
        read_claim_list(path, dates=DayOrder.DAY_FIRST)


def test_times_of_an_inspection_may_be_am_and_pm(tmp_path):
    path = write(
        tmp_path, "claim,inspection start,inspection end\nTC-1,04/28/2026 12:15 AM,04/28/2026 1:30 pm\n"
    )
    claim = only(path)
    assert claim.inspection_start == datetime(2026, 4, 28, 0, 15)
    assert claim.inspection_end == datetime(2026, 4, 28, 13, 30)


@given(st.lists(st.dates(date(1900, 1, 1), date(2099, 12, 31)), min_size=1), st.sampled_from(list(DayOrder)))
def test_an_order_that_is_told_apart_gives_every_day_back(days, order):
    form = "%m/%d/%Y" if order is DayOrder.MONTH_FIRST else "%d/%m/%Y"
    cells = [(n, day.strftime(form)) for n, day in enumerate(days, start=2)]
    found = order_of(cells)
    assert found.contradiction is None
    assert bool(found.order) == any(day.day > 12 for day in days)
    if not found.ambiguous:
        assert [read_day(text, found.order) for _, text in cells] == days


# --- faults ---


def test_all_faults_of_a_file_are_told_in_one_run_by_line_and_nothing_is_loaded(tmp_path):
    archive = make_archive(tmp_path)
    path = write(
        tmp_path,
        "claim,lat,lon,loss_date,stories\nTC-1,139,2,,\n,,,,\nTC-2,,,31/31/2026,\nTC-3,,,,ten\ntc-2,,,,\n,1,1,,\n",
    )
    refused = cli("assignments", path, archive=archive)
    assert refused.status == 2
    assert [line.split(":")[0].strip() for line in refused.err.splitlines()[1:-1]] == [
        "line 2", "line 4", "line 5", "line 6", "line 7",
    ]  # fmt: skip
    assert "5 faults" in refused.err
    assert cli("claims", "--json", archive=archive).data == []


def test_a_date_of_loss_in_the_future_and_an_unknown_peril_are_told_and_loaded(tmp_path):
    archive = make_archive(tmp_path)
    path = write(tmp_path, "claim,loss_date,peril\nTC-1,2099-01-02,hale\n")
    loaded = cli("assignments", path, archive=archive)
    assert loaded.status == 0
    assert "Line 2: claim TC-1 has a date of loss in the future, 2099-01-02." in loaded.out
    assert "'hale'" in loaded.out
    assert "hail" in loaded.out


def test_a_dry_run_shows_what_would_change_and_changes_nothing(tmp_path):
    archive = make_archive(tmp_path)
    cli("assignments", write(tmp_path, "claim,insured\nTC-1,Ann\nTC-2,Bob\n"), archive=archive)
    before = cli("custody", "--json", archive=archive).data["entries"]
    path = write(tmp_path, "claim,insured\nTC-1,Anne\nTC-2,Bob\nTC-3,Cy\n")
    shown = cli("assignments", path, "--dry-run", archive=archive)
    assert "TC-1: insured: Ann -> Anne" in shown.out
    assert "TC-3 is new" in shown.out
    assert "TC-2" not in shown.out
    assert cli("custody", "--json", archive=archive).data["entries"] == before
    real = cli("assignments", path, "--json", archive=archive).data
    assert (real["added"], real["updated"]) == (1, 1)


# --- workbooks ---


def workbook(tmp_path, *rows):
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    book.create_sheet("notes").append(["not a claim"])
    path = tmp_path / "claims.xlsx"
    book.save(path)
    return path


def test_a_workbook_is_read_with_its_dates_and_numbers(tmp_path):
    path = workbook(
        tmp_path,
        ["Claim No", "Date of loss", "Stories", "Lat", "Lon", "Inspection start"],
        [4417, datetime(2026, 4, 5), 2, 39.5, -104.25, datetime(2026, 5, 1, 9, 30)],
    )
    read = read_claim_list(path)
    claim = read.claims[2]
    assert (claim.claim, claim.loss_date, claim.stories) == ("4417", date(2026, 4, 5), 2)
    assert claim.place == GeoPoint(lat=39.5, lon=-104.25)
    assert claim.inspection_start == datetime(2026, 5, 1, 9, 30)
    assert read.notes == ("Only the worksheet 'Sheet' was read.",)


def test_faults_of_a_workbook_name_its_rows(tmp_path):
    path = workbook(tmp_path, ["claim", "stories"], ["TC-1", 1], [], ["TC-2", "many"])
    with pytest.raises(BadInputError, match=r"line 4.*many"):
        read_claim_list(path)


def test_a_workbook_that_unpacks_to_far_too_much_is_refused_before_it_is_unpacked(tmp_path):
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as parts:
        for number in range(12):
            parts.writestr(f"xl/{number}.xml", bytes(10_000_000))
    assert len(packed.getvalue()) < 200_000
    with pytest.raises(BadInputError, match="unpacks to more"):
        read_claim_list(write(tmp_path, packed.getvalue(), "claims.xlsx"))


def test_entities_in_a_workbook_are_not_expanded(tmp_path):
    path = workbook(tmp_path, ["claim"], ["TC-1"])
    evil = tmp_path / "evil.xlsx"
    doctype = '<!DOCTYPE b [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'
    with zipfile.ZipFile(path) as good, zipfile.ZipFile(evil, "w") as bad:
        for part in good.namelist():
            content = good.read(part).decode()
            if part == "xl/worksheets/sheet1.xml":
                start = content.index("<worksheet")
                content = content[:start] + doctype + content[start:]
            bad.writestr(part, content)
    with pytest.raises(BadInputError, match="not a workbook that can be read"):
        read_claim_list(evil)


def test_a_worksheet_with_far_too_many_rows_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(table_file, "MAX_ROWS", 3)
    path = workbook(tmp_path, ["claim"], ["TC-1"], ["TC-2"], ["TC-3"])
    with pytest.raises(BadInputError, match="more than 3 rows"):
        read_claim_list(path)


def test_a_damaged_workbook_is_refused_in_one_line(tmp_path):
    content = bytearray(workbook(tmp_path, ["claim"], ["TC-1"]).read_bytes())
    content[200:260] = bytes(60)
    with pytest.raises(BadInputError, match="workbook"):
        read_claim_list(write(tmp_path, bytes(content), "claims.xlsx"))
