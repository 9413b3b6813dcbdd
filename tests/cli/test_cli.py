"""The command line's promises: help, JSON keys, exit statuses, and errors of one line."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from datetime import UTC, datetime
from importlib import metadata

import pytest
import support_cli
import typer
from rich.console import Console
from support_catalog import copied, placing
from support_cli import cli
from support_intake import loaded_archive, set_settings, with_target

import evidence
from evidence.cli.common import _fitted, table
from evidence.cli.main import app


def every_command(command=None, path=()):
    """Every command as the words that a user types, with its typer command."""
    command = command or typer.main.get_command(app)
    below = getattr(command, "commands", None)
    if below is None:
        return [(path, command)]
    return [one for name, sub in below.items() for one in every_command(sub, (*path, name))]


COMMANDS = every_command()


def options(command):
    return {option for parameter in command.params for option in getattr(parameter, "opts", ())}


@pytest.mark.parametrize("path", [path for path, _ in COMMANDS], ids=" ".join)
def test_a_command_explains_itself(path):
    ran = cli(*path, "--help")
    assert ran.status == 0
    assert "Usage" in ran.out
    assert len(ran.out.splitlines()) > 4


def test_every_command_that_reports_can_do_so_in_json_and_every_one_takes_archive():
    serving = {("board",)}
    for path, command in COMMANDS:
        if path not in serving:
            assert "--json" in options(command), path
        if path not in {("init",), ("check",)}:  # they need no archive
            assert "--archive" in options(command), path


def test_whoever_changes_something_can_say_who_they_are():
    reading = {
        ("sheets",), ("labels",), ("claims",), ("photos",), ("coverage",), ("lists",), ("segments",), ("custody",),
        ("retention",), ("hold", "list"), ("target", "list"), ("station", "list"), ("check",), ("tags",), ("report",), ("table",), ("people", "list"), ("board",),
        ("status",), ("doctor",), ("rules", "list"), ("purge", "show"), ("purge", "history"),
        ("service", "install"), ("service", "remove"), ("service", "status"), ("tell", "test"), ("tell", "password"),
    }  # fmt: skip
    for path, command in COMMANDS:
        if path not in reading:
            assert "--actor" in options(command), path


@pytest.mark.parametrize(
    "arguments", [[], ["hold"], ["purge"], ["nonsense"], ["intake"], ["claims", "--nonsense"]]
)
def test_a_command_that_cannot_be_parsed_ends_with_two_and_no_traceback(arguments):
    ran = cli(*arguments)
    assert ran.status == 2
    assert "Traceback" not in ran.err
    assert ran.err.startswith("evidence: ") or "Usage" in ran.out + ran.err


def test_an_error_in_json_has_a_code_a_message_and_a_remedy(tmp_path):
    ran = cli("claims", "--json", archive=tmp_path / "none")
    assert ran.status == 2
    assert set(ran.data["error"]) == {"code", "message", "fix"}


@pytest.mark.parametrize(
    "arguments", [["photos"], ["claims", "--nonsense"], ["undo", "abc"], ["close", "TC-1001"], ["nonsense"]]
)
def test_a_command_that_cannot_be_parsed_has_its_error_in_json_too(arguments):
    ran = cli(*arguments, "--json")
    assert ran.status == 2
    assert set(ran.data["error"]) == {"code", "message", "fix"}
    assert ran.err.startswith("evidence: ")


@pytest.mark.parametrize("words", [["undo"], ["hold", "lift", "--reason", "over"]])
def test_a_number_that_no_database_can_hold_is_bad_input(houses, words):
    ran = cli(*words, 10**23, "--json", archive=houses)
    assert ran.status == 2
    assert "too large" in ran.data["error"]["message"]


def test_a_fault_of_the_program_has_a_status_and_an_error_in_json(houses, monkeypatch):
    def broken(*_, **__):
        raise RuntimeError("a fault")

    monkeypatch.setattr("evidence.reports.views.claim_views", broken)
    ran = cli("claims", "--json", archive=houses)
    assert ran.status == 20  # 1 would say that the command ran to its end
    assert "RuntimeError: a fault" in ran.data["error"]["message"]
    assert "Traceback" in ran.err


def test_no_negative_number_of_log_entries_is_shown(houses):
    assert cli("custody", "--last", "-1", archive=houses).status == 2


def test_a_closed_pipe_is_not_an_error(houses):
    script = "import sys; from evidence.cli.main import run; run(sys.argv[1:])"
    if os.name != "posix":
        pytest.skip("pipes end otherwise here")
    reader, writer = os.pipe()
    os.close(reader)
    ran = subprocess.run(
        [sys.executable, "-c", script, "photos", "TC-1001", "--json", "--archive", str(houses)],
        stdout=writer,
        stderr=subprocess.PIPE,
        check=False,
        timeout=120,
    )
    os.close(writer)
    assert b"Traceback" not in ran.stderr


# --- the keys that programs rely on --------------------------------------------------------


def asked(data, keys):
    missing = set(keys) - set(data)
    assert not missing, f"lacks {missing}"


def test_each_command_gives_the_keys_that_are_promised(houses, two_houses_taken_in, other_disk):
    def ask(*arguments, status=0):
        ran = cli(*arguments, "--json", archive=houses)
        assert ran.status == status, ran.err
        return ran.data

    with_target(houses, other_disk)
    csv = houses.parent / "more.csv"
    csv.write_text("claim\nTC-1009\n", encoding="utf-8")
    asked(ask("assignments", csv), ["added", "updated", "refused", "notes", "changes", "dry_run"])
    asked(ask("status"), ["last_card", "needs", "copies", "last_read_back", "free", "days_left"])
    asked(ask("doctor", status=1)["checks"][0], ["about", "outcome", "found", "to_do"])
    assert ask("sheets", houses.parent / "sheets.pdf")["pages"] == 4
    assert ask("labels", houses.parent / "labels.pdf")["pages"] > 0
    intake = ask("intake", two_houses_taken_in[1].root)
    asked(intake, ["files", "kept", "already_kept", "refused", "claims", "unassigned", "card"])
    asked(intake["card"], ["safe_to_erase", "reasons"])
    asked(intake["claims"][0], ["claim", "photos"])
    claims = ask("claims")
    for claim in claims:
        asked(claim, ["claim", "insured", "photos", "first_photo", "last_photo", "coverage", "state"])
    asked(claims[0]["coverage"], ["met", "missing"])
    photos = ask("photos", "TC-1001")
    keys = "sha256 name card_path taken_at claim role face component condition count stated confidence reasons flags"
    asked(photos[0], keys.split())
    asked(ask("tag", "TEST0002.JPG", "--face", "left")[0], keys.split())
    asked(ask("coverage", "TC-1001", status=1), ["met", "guessed", "missing", "flags"])
    for place in intake["card"]["places"]:
        asked(place, ["name", "files", "counted", "of", "bad", "read_back", "named", "reachable"])
    listed = ask("cards")
    asked(listed, ["cards", "others", "rule"])
    asked(listed["cards"][0], ["intake", "label", "source", "seen_at", "files", "connected", "verdict"])
    backup = ask("backup")
    asked(backup, ["copied"])
    asked(backup["cards"], ["cards", "others", "rule"])
    verified = ask("verify")
    asked(verified, ["checked", "bad", "missing"])
    asked(verified["cards"], ["cards", "others", "rule"])
    asked(ask("custody"), ["entries", "valid"])
    asked(ask("custody", "--verify"), ["entries", "valid"])
    retention = ask("retention")
    asked(retention, ["due", "held", "kept"])
    asked(retention["kept"][0], ["claim", "until", "reason"])
    asked(ask("hold", "place", "TC-1001", "--reason", "suit"), ["claim", "hold"])
    asked(ask("hold", "list")[0], ["number", "claim", "reason", "placed_by"])
    asked(ask("hold", "lift", 1, "--reason", "settled"), ["hold"])
    asked(ask("segments")[0], ["segment", "claim", "photos", "probability", "to_confirm", "reasons"])
    asked(ask("lists")[0], ["list", "title"])
    asked(ask("lists", "hail_roof"), ["list", "title", "explained"])
    asked(ask("move", "TEST0007.JPG", "--to", "unassigned"), ["decision", "photos", "claims"])
    asked(ask("undo"), ["undone", "claims"])
    asked(ask("close", "TC-1001", "--on", "2026-05-20"), ["claim", "closed_on"])
    asked(ask("reopen", "TC-1001", "--on", "2026-05-21"), ["claim", "reopened_on"])


def test_a_refused_claim_in_the_assignments_is_named_with_its_reason(houses):
    with_purged = houses / "catalog.sqlite"
    from sqlalchemy import create_engine, text

    engine = create_engine(f"sqlite:///{with_purged}")
    with engine.begin() as db:
        db.execute(text("UPDATE claim SET state = 'purged' WHERE claim = 'TC-1003'"))
    engine.dispose()
    (houses.parent / "again.csv").write_text("claim\nTC-1003\n", encoding="utf-8")
    refused = cli("assignments", houses.parent / "again.csv", "--json", archive=houses).data["refused"]
    assert [(one["line"], one["claim"]) for one in refused] == [(2, "TC-1003")]
    assert refused[0]["reason"]


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("TC-1,A\x00B,,", "insured"),
        ('TC-1,"A\nB",,', "insured"),
        ("TC-1,A,1 Larch\x1b Way,", "address"),
        (f"TC-1,A,,{'h' * 61}", "peril"),
    ],
)
def test_a_cell_that_no_list_or_folder_can_show_is_refused(tmp_path, line, words):
    archive = loaded_archive(tmp_path)
    (tmp_path / "odd.csv").write_text(f"claim,insured,address,peril\n{line}\n", encoding="utf-8", newline="")
    ran = cli("assignments", tmp_path / "odd.csv", archive=archive)
    assert ran.status == 2
    assert words in ran.err
    assert [one["claim"] for one in cli("claims", "--json", archive=archive).data] == [
        "TC-1001",
        "TC-1002",
        "TC-1003",
    ]


def test_a_pdf_that_cannot_be_written_is_reported_in_one_line(houses, tmp_path):
    ran = cli("sheets", tmp_path / "nowhere" / "sheets.pdf", archive=houses)
    assert ran.status in (2, 23)
    assert ran.err.count("\n") == 1
    (tmp_path / "folder.pdf").mkdir()
    ran = cli("labels", tmp_path / "folder.pdf", archive=houses)
    assert ran.status in (2, 23)
    assert ran.err.count("\n") == 1


# --- init ----------------------------------------------------------------------------------


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")
def test_an_archive_whose_making_was_killed_is_made_by_the_next_run(tmp_path):
    from support_kill import changes_of, killed_at

    from evidence.workspace import make_archive

    steps = changes_of(lambda: make_archive(tmp_path / "whole").close(), tmp_path / "whole")
    for step in range(0, steps, max(1, steps // 6)):
        folder = tmp_path / f"killed-{step}"
        assert killed_at(lambda folder=folder: make_archive(folder).close(), folder, step)
        ran = cli("init", folder)
        assert ran.status == 0 or "an archive already" in ran.err, f"step {step}: {ran.err}"
        assert cli("claims", archive=folder).status == 0
        assert cli("custody", "--verify", archive=folder).status == 0
        assert not (folder / "unfinished.mark").exists()


def test_a_folder_with_other_things_in_it_is_not_made_an_archive(tmp_path):
    (tmp_path / "mine.txt").write_text("mine")
    assert cli("init", tmp_path).status == 2
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_no_archive_is_made_or_restored_inside_another_archive_a_bag_or_a_target(tmp_path, other_disk):
    target = other_disk
    archive = loaded_archive(tmp_path)
    with_target(archive, target)
    assert cli("backup", archive=archive).status == 0
    bag = tmp_path / "bag"
    bag.mkdir()
    (bag / "bagit.txt").write_text("BagIt-Version: 1.0\n")
    for folder in (archive / "new", archive / "claims" / "new", target / "new", bag / "data" / "new"):
        for words in (("init", folder), ("restore", target, folder)):
            ran = cli(*words)
            assert ran.status == 2, ran
            assert "lie" in ran.err
            assert not folder.exists()


def test_settings_of_the_archive_are_read_at_every_command(houses):
    set_settings(houses, "[safety]\nplaces = 0\n")
    for path, command in COMMANDS:
        needed = [one for one in command.params if one.required]
        if path not in {("init",), ("board",), ("doctor",)} and not needed:
            assert cli(*path, archive=houses).status == 2, path


# --- size ----------------------------------------------------------------------------------


def test_the_lists_of_claims_ask_the_catalog_no_more_for_many_claims_than_for_few(tmp_path):
    from datetime import UTC, datetime

    from sqlalchemy import event

    from evidence.model import Claim, ClaimId, IntakeId
    from evidence.office import retention as office
    from evidence.reports import views
    from evidence.workspace import make_archive

    now = datetime(2026, 6, 1, tzinfo=UTC)

    def asked_of(workspace, work):
        count = [0]

        def tick(*_args):
            count[0] += 1

        event.listen(workspace.catalog._database.engine, "before_cursor_execute", tick)
        work()
        event.remove(workspace.catalog._database.engine, "before_cursor_execute", tick)
        return count[0]

    def grown(workspace, first, last):
        claims = [ClaimId(f"C-{n:04d}") for n in range(first, last)]
        workspace.catalog.claims.put([Claim(claim=one, peril="hail") for one in claims], at=now)
        kept, placings = [], []
        for n, claim in enumerate(claims, first):
            sha = f"{n:064x}"
            kept.append(copied(f"DCIM/{n}.JPG", sha, size=n))
            placings.append(placing(sha, claim, n, segment="s"))
        workspace.catalog.photos.add_originals(IntakeId(f"i{first}"), kept)
        workspace.catalog.photos.place(placings, [])

    with make_archive(tmp_path / "archive") as workspace:
        grown(workspace, 0, 5)
        first = views.claim_views(workspace)
        few = asked_of(workspace, lambda: views.claim_views(workspace))
        few_kept = asked_of(workspace, lambda: office.review_dispositions(workspace))
        grown(workspace, 5, 60)
        views.claim_views(workspace)
        assert asked_of(workspace, lambda: views.claim_views(workspace)) == few
        assert asked_of(workspace, lambda: office.review_dispositions(workspace)) == few_kept
        assert views.claim_views(workspace)[:5] == first, "a count that is kept says what a new one says"


# --- the list of commands ------------------------------------------------------------------


@pytest.mark.parametrize("arguments", [[], ["--help"]], ids=["bare", "--help"])
def test_every_command_has_one_whole_line_below_the_people_who_use_it(arguments):
    ran = cli(*arguments)
    lines = (ran.out + ran.err).splitlines()
    headings = [lines.index(f"{group} commands:") for group in ("Adjuster", "Reviewer", "Office")]
    assert headings == sorted(headings)
    below = [line.split()[0] for line in lines[headings[0] :] if line.startswith("  ")]
    assert sorted(below) == sorted({path[0] for path, _ in COMMANDS})
    assert not [line for line in lines[headings[0] :] if line.endswith("...")]
    assert max(map(len, lines)) <= 80


def test_the_version_is_the_packages_own():
    ran = cli("--version")
    assert (ran.status, ran.out) == (0, f"evidence {metadata.version('photo-evidence-archive')}\n")
    assert metadata.version("photo-evidence-archive") == evidence.__version__


def test_a_group_without_its_command_lists_its_commands_line_by_line():
    ran = cli("hold")
    assert ran.status == 2
    assert "\n  lift " in ran.err


@pytest.mark.parametrize(("number", "said"), [(0, "0 bags"), (1, "1 bag"), (2, "2 bags")])
def test_a_number_takes_the_singular_for_one_alone(number, said):
    from evidence.errors import counted

    assert counted(number, "bag") == said
    assert counted(number, "entry", "entries").endswith("entry" if number == 1 else "entries")


WIDE_ROWS = [
    ["HR26-004417", "Odile Brankmeyer", "2026-05-14 08:41", "open"],
    ["HR26-004508", "Ptolema Rusk-Ainley", "2026-05-14 10:35", "signed"],
]


@pytest.mark.parametrize("width", [60, 45, 35, 20, 4])
def test_a_table_stays_within_the_window_and_breaks_words_only_where_they_do_not_fit(width):
    out = Console(width=width, file=io.StringIO())
    shown = table(["claim", "insured", "first photo", "state"], WIDE_ROWS)
    out.print(_fitted(shown, out))
    lines = out.file.getvalue().splitlines()
    assert max(map(len, lines)) <= max(width, 7)  # four columns of one letter
    words = " ".join(lines).split()
    if width >= 42:  # the longest word of each column, and three blanks
        assert {"HR26-004417", "Brankmeyer", "Rusk-Ainley", "2026-05-14", "signed"} <= set(words)


def test_the_date_that_purges_confirm_in_tests_is_read_when_the_command_gets_it(monkeypatch):
    class After(datetime):
        @classmethod
        def now(cls, tz=None):
            return datetime(2031, 1, 2, 12, tzinfo=tz or UTC)

    monkeypatch.setattr(support_cli, "datetime", After)
    assert str(support_cli.CONFIRMED[1]) == "2031-01-02", "a run of all tests may go on past midnight"
