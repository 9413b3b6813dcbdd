"""The text, the page and the waiting messages of a card; and that a purge leaves nothing of its claim in them."""

from __future__ import annotations

import json
import os
import re
import stat
import sys
from datetime import timedelta
from html.parser import HTMLParser

import keyring
import pytest
from keyring.backend import KeyringBackend
from support_cli import CONFIRMED, cli
from support_intake import CLAIMS, at_home, loaded_archive, set_settings, small_houses, with_target
from support_retention import reload_assignments

from evidence.archive.passwords import password_for
from evidence.board.card_page import keep_card_page
from evidence.errors import TellingError
from evidence.reports.card_result import card_outcome
from evidence.telling import outbox

WAY = "\n[tell]\nwebhook = 'https://hook.example/'\n"


@pytest.fixture
def safe(kept, same_path, other_disk):
    """A card with two houses that was taken in and backed up elsewhere; its archive and its page."""
    archive, card = same_path / "archive", same_path / "CARD_A"

    def make():
        loaded_archive(same_path)
        with_target(archive, other_disk)
        small_houses(card)
        ran = cli("intake", card, archive=archive)
        assert ran.status == 0, ran.err

    kept.put("told by a page", {"archive": archive, "card": card, "disk": other_disk}, make)
    (page,) = (archive / "cards").iterdir()
    return archive, page


def intake_of(page):
    return page.stem


def test_the_text_names_what_is_missing_and_the_verdict(safe):
    archive, page = safe
    with at_home(archive) as here:
        text = card_outcome(here, intake_of(page)).text()
    assert text.startswith("Card CARD_A: 8 photos, 2 claims; TC-1001 lacks the ")
    assert re.search(r"TC-1002 lacks the \w.* and \d+ more shots; ", text)
    assert "two copies read back, one off this computer: SAFE TO ERASE for the 9 files seen" in text


def test_a_card_that_is_not_safe_is_never_called_safe(safe, other_disk):
    archive, page = safe
    set_settings(archive, "")
    with at_home(archive) as here:
        text = card_outcome(here, intake_of(page)).text()
    assert "SAFE" not in text
    assert "Do NOT erase it yet. 9 files are in 1 place of the 2 needed" in text


def test_files_that_came_since_are_told(safe, same_path):
    archive, page = safe
    (same_path / "CARD_A" / "DCIM" / "100TESTC" / "TEST0099.JPG").write_bytes(b"new")
    with at_home(archive) as here:
        text = card_outcome(here, intake_of(page)).text()
    assert "safe for the 9 files seen, but 1 came since: Do NOT erase it yet. 1 file came or changed" in text


class Links(HTMLParser):
    def __init__(self):
        super().__init__()
        self.pictures, self.others = [], []

    def handle_starttag(self, tag, attrs):
        named = dict(attrs)
        if tag == "img":
            self.pictures.append(named["src"])
        elif {"href", "src"} & named.keys():
            self.others.append(tag)


def test_the_page_opens_without_a_server_and_shows_every_photo(safe):
    _archive, page = safe
    links = Links()
    links.feed(page.read_text(encoding="utf-8"))
    assert len(links.pictures) == 8
    assert all((page.parent / one).resolve().is_file() for one in links.pictures)
    assert links.others == []
    if os.name == "posix":
        assert stat.S_IMODE(page.stat().st_mode) == 0o640
    assert "SAFE TO ERASE for the 9 files seen" in page.read_text()


def test_names_with_control_and_bidirectional_characters_are_written_as_escapes(tmp_path):
    archive = loaded_archive(tmp_path)
    card = small_houses(tmp_path / "A\u202eB\x1b[31m<b>")
    assert cli("intake", card.root, archive=archive).status == 0
    (page,) = (archive / "cards").iterdir()
    text = page.read_text(encoding="utf-8")
    assert "A\\u202eB\\x1b[31m&lt;b&gt;" in text
    assert "\u202e" not in text
    assert "\x1b" not in text


def test_nothing_of_a_purged_claim_stays_in_a_page_and_a_new_page_has_the_other_house(safe):
    archive, page = safe
    assert reload_assignments(archive, CLAIMS.replace("2026-05-01", "2015-01-01")).status == 0
    assert cli("close", "TC-1001", "--on", "2016-01-04", archive=archive).status == 0
    assert cli("backup", archive=archive).status == 0
    with at_home(archive) as here:
        names = {one.sha256 for one in here.catalog.photos.of_claim("TC-1001")} | {"TC-1001", "Ada Moss"}
    assert all(name in page.read_text() for name in ("TC-1001", "Ada Moss"))
    ran = cli("purge", "plan", *CONFIRMED, "TC-1001", "--json", archive=archive, actor="Ada Clerk")
    assert cli("purge", "approve", ran.data["plan"], archive=archive, actor="Ben Witness").status == 0
    done = cli("purge", "run", "--yes", *CONFIRMED, ran.data["plan"], archive=archive, actor="Ada Clerk")
    assert done.status == 0, done.err
    assert not page.exists()
    with at_home(archive) as here:
        assert keep_card_page(here, intake_of(page)) == page
    text = page.read_text()
    assert "TC-1002" in text
    assert [name for name in names if name in text] == []


def test_what_a_killed_run_left_of_a_page_goes_with_the_next_page(safe):
    archive, page = safe
    left = page.with_name("20260601-120000-dead.html.part")
    left.write_text("TC-1001")
    with at_home(archive) as here:
        keep_card_page(here, intake_of(page))
    assert [one.name for one in page.parent.iterdir()] == [page.name]


@pytest.fixture
def failing(safe, monkeypatch):
    """The archive told by webhook, the card, and whether the server fails: a list of what it got."""
    archive, page = safe
    with (archive / "evidence.toml").open("a") as file:
        file.write(WAY)
    got, fails = [], [True]

    def post(_address, message):
        if fails:
            raise TellingError("hook.example cannot be reached: x.", "Check it.")
        got.append(message)

    monkeypatch.setattr("evidence.telling.channels.post", post)
    return archive, intake_of(page), got, fails


def test_a_message_that_was_not_sent_is_said_and_sent_later_with_growing_pauses(failing):
    archive, intake, got, fails = failing
    said = []
    with at_home(archive) as here:
        start = here.now()
        outbox.tell(here, intake, said.append)
        for minutes, tries in [(0.5, 1), (1, 2), (2.5, 2), (3.1, 3)]:
            here.now = lambda minutes=minutes: start + timedelta(minutes=minutes)
            outbox.tell_again(here, said.append)
            assert len(said) == tries
        fails.clear()
        here.now = lambda: start + timedelta(minutes=10)
        outbox.tell_again(here, said.append)
    assert "It is tried again in 1 min." in said[0]
    assert "in 4 min." in said[2]
    assert [one.data["safe_to_erase"] for one in got] == [True]
    assert not (archive / outbox.FILE).exists()


def test_what_a_killed_run_left_of_the_list_goes_with_the_list(failing):
    archive, intake, _got, fails = failing
    with at_home(archive) as here:
        outbox.tell(here, intake, [].append)
        (archive / f"{outbox.FILE}.part").write_text("[")
        fails.clear()
        outbox.tell(here, intake, [].append)
    assert list(archive.glob(f"{outbox.FILE}*")) == []


def test_the_list_of_waiting_messages_names_no_claim_and_a_message_is_given_up_in_the_end(failing):
    archive, intake, _got, _fails = failing
    said = []
    with at_home(archive) as here:
        outbox.tell(here, intake, said.append)
        waiting = (archive / outbox.FILE).read_text()
        assert "TC-1001" not in waiting
        assert json.loads(waiting)[0]["intake"] == intake
        start = here.now()
        here.now = lambda: start + timedelta(days=4)
        outbox.tell_again(here, said.append)
    assert "given up after 3 days" in said[-1]
    assert not (archive / outbox.FILE).exists()


def test_a_failure_of_telling_never_changes_the_status_of_an_intake(tmp_path, other_disk):
    archive = loaded_archive(tmp_path)
    with_target(archive, other_disk)
    with (archive / "evidence.toml").open("a") as file:
        file.write("\n[tell]\nwebhook = 'https://127.0.0.1:9/'\n")
    ran = cli("intake", small_houses(tmp_path / "card").root, archive=archive)
    assert ran.status == 0
    assert "The webhook about a card was not sent" in " ".join(ran.err.split())
    tried = cli("tell", "test", archive=archive)
    assert tried.status == 33


def test_a_computer_without_a_keyring_keeps_no_password(tmp_path, monkeypatch):
    archive = loaded_archive(tmp_path)
    with (archive / "evidence.toml").open("a") as file:
        file.write("\n[tell.email]\nserver='m.example'\nsender='a@b.c'\nto=['a@b.c']\nuser='ada'\n")
    monkeypatch.setattr(sys, "stdin", __import__("io").StringIO("a secret\n"))
    ran = cli("tell", "password", "--stdin", archive=archive)
    assert ran.status == 2
    assert "no keyring" in ran.err
    assert "a secret" not in ran.err + ran.out


class _InMemory(KeyringBackend):
    """A keyring that keeps passwords as long as the test runs."""

    priority = 1

    def __init__(self):
        self.kept = {}

    def get_password(self, service, username):
        return self.kept.get((service, username))

    def set_password(self, service, username, password):
        self.kept[service, username] = password

    def delete_password(self, service, username):
        del self.kept[service, username]


def test_a_password_in_the_keyring_is_the_one_that_the_mail_server_gets(tmp_path, monkeypatch):
    archive = loaded_archive(tmp_path)
    with (archive / "evidence.toml").open("a") as file:
        file.write("\n[tell.email]\nserver='m.example'\nsender='a@b.c'\nto=['a@b.c']\nuser='ada'\n")
    before, ours = keyring.get_keyring(), _InMemory()
    keyring.set_keyring(ours)
    try:
        monkeypatch.setattr(sys, "stdin", __import__("io").StringIO("a secret\n"))
        ran = cli("tell", "password", "--stdin", archive=archive)
        assert (ran.status, "a secret" in ran.out + ran.err) == (0, False)
        assert list(ours.kept.values()) == ["a secret"]
        assert password_for("m.example", "ada", "") == "a secret"
        with pytest.raises(TellingError, match="no password of ben"):
            password_for("m.example", "ben", "")
    finally:
        keyring.set_keyring(before)
    assert not [path for path in archive.rglob("*") if path.is_file() and b"a secret" in path.read_bytes()]
