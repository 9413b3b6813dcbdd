"""Runs the commands of the walk-throughs in docs/office.md and compares what they print with the page."""

from __future__ import annotations

import re
import shlex
import shutil
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from support_cli import cli
from support_intake import loaded_archive, small_houses
from support_kill import HereExecutor

from evidence.intake.pipeline import take_in
from evidence.workspace import Workspace

PAGE = Path(__file__).resolve().parents[2] / "docs" / "office.md"
PLACES = ("/evidence", "/media/red1", "/media/blue", "/media/teal", "/restored", "/to-counsel")
"""Folders that the page names: the archive, three disks, the archive after the fire, and one claim's bag."""
WHO = "office"
"""The system's user name on the page."""
_BLOCK = re.compile(r"^```console\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_MEDIUM = r"\b(?:unknown|memory|network share|rotating disk|solid-state disk)\b"
_VARYING = (
    (r"\d{4}-\d\d-\d\d(?: \d\d:\d\d(?::\d\d)?)?", "DATE"),
    (r"\b\d{8}-[0-9a-z-]+", "INTAKE"),
    (r"\bcard [0-9a-f]{4}\b", "card NAME"),
    (r"\b[0-9a-f]{8,}\b", "HEX"),
    (r"\b\d+(?:\.\d+)? (?:bytes|B|kB|MB|GB|TB)\b", "SIZE"),
    (rf"{_MEDIUM}(?: and {_MEDIUM})*", "MEDIUM"),
    (r"on \d of 2 kinds of media", "on KINDS of media"),
)


@dataclass(frozen=True)
class Step:
    """One command of the page with what the page says it prints, and its place in the page's text."""

    command: str
    printed: str
    start: int
    end: int


@dataclass
class Office:
    """The small archive that the commands run on, and where the page's folders are."""

    places: Mapping[str, Path]
    archive: str = "/evidence"

    def real(self, text: str) -> str:
        return self._exchanged(text, {page: str(path) for page, path in self.places.items()})

    def as_on_page(self, text: str) -> str:
        for page, path in self.places.items():  # keep the columns of tables in line
            text = text.replace(f"{path}  ", f"{page.ljust(len(str(path)))}  ")
        text = re.sub(r" +$", "", text, flags=re.MULTILINE)
        return self._exchanged(text, {str(path): page for page, path in self.places.items()})

    @staticmethod
    def _exchanged(text: str, names: Mapping[str, str]) -> str:
        every = "|".join(re.escape(name) for name in sorted(names, key=len, reverse=True))
        return re.sub(every, lambda match: names[match.group()], text)


def steps(page: str) -> list[Step]:
    """Every command in the page's console blocks, in order."""
    found = []
    for block in _BLOCK.finditer(page):
        starts = [match.start() for match in re.finditer(r"^\$ ", block[1], re.MULTILINE)]
        for start, end in zip(starts, [*starts[1:], len(block[1])], strict=True):
            first, _, rest = block[1][start:end].partition("\n")
            at = block.start(1) + start + len(first) + 1
            found.append(Step(first.removeprefix("$ "), rest, at, at + len(rest)))
    return found


def new_office(folder: Path, places: Mapping[str, Path]) -> Office:
    """An archive with a card of two claims taken in, at the place that the page calls /evidence."""
    made = loaded_archive(folder)
    card = small_houses(folder / "CARD1")
    with Workspace(made, actor=WHO) as workspace:
        take_in(workspace, card.root, executor=HereExecutor())
    made.rename(places["/evidence"])
    shutil.rmtree(card.root)
    return Office(places)


def run_step(office: Office, step: Step) -> tuple[int, str]:
    """Run one command; returns its exit status and what it prints, with the page's names of folders."""
    words = shlex.split(step.command)
    if words[0] == "export":
        office.archive = words[1].removeprefix("EVIDENCE_ARCHIVE=")
        return 0, ""
    assert words[0] == "evidence", step.command
    archive = None if words[1] in {"restore", "check"} else office.places[office.archive]
    ran = cli(*(office.real(word) for word in words[1:]), archive=archive)
    return ran.status, office.as_on_page(ran.out if ran.out or not ran.status else ran.err)


def between(office: Office) -> dict[str, Callable[[], object]]:
    """What happens before a command beside the computer: a disk is stolen, a byte is lost, a fire."""

    def stolen() -> None:
        shutil.rmtree(office.places["/media/blue"])

    def spoilt() -> None:
        photo = sorted(office.places["/evidence"].glob("claims/TC-1001*/data/**/*.JPG"))[1]
        photo.chmod(0o640)
        content = bytearray(photo.read_bytes())
        content[len(content) // 2] ^= 1
        photo.write_bytes(content)

    def burnt() -> None:
        shutil.rmtree(office.places["/evidence"])

    return {"A lost disk": stolen, "A bad photo": spoilt, "After a fire": burnt}


def walked(office: Office, page: str) -> Iterator[tuple[Step, int, str]]:
    """Run the whole page: each step with its exit status and what it printed."""
    events = between(office)
    heads = {match.start(): match[1] for match in re.finditer(r"^### (.+)$", page, re.MULTILINE)}
    done = 0
    for step in steps(page):
        for start, title in heads.items():
            if done <= start < step.start and title in events:
                events.pop(title)()
        done = step.start
        status, printed = run_step(office, step)
        yield step, status, printed
    assert not events, f"the page lacks {sorted(events)}"


def comparable(text: str) -> str:
    """A text without what differs from run to run and from machine to machine; one blank between words."""
    for pattern, word in _VARYING:
        text = re.sub(pattern, word, text)
    return " ".join(text.split())
