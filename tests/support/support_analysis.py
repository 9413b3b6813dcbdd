"""Photos as they are in the catalog after an intake described them and before a split placed them."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta

from support_board import digest
from support_catalog import copied

from evidence.model import CameraFacts, ClaimId, DcfName, DividerMark, IntakeId, Look, Sha256
from evidence.workspace import Workspace

NINE = datetime(2026, 5, 14, 9)
DAY = "2026-05-14"


@dataclass
class Described:
    """A card whose photos are entered one after the other, ten seconds apart."""

    workspace: Workspace
    name: str = "a"
    moment: datetime = NINE
    model: str = "T-1"
    years: int = 0
    """Years by which the camera's clock is off."""
    count: int = 0
    shas: list[Sha256] = field(default_factory=list)

    def house(
        self, claim: str | None, many: int, *, later: timedelta = timedelta(minutes=45)
    ) -> list[Sha256]:
        """A house of so many photos, first the sheet of `claim` if there is one; it begins `later` than the last."""
        self.moment += later
        return [self._photo(claim if n == 0 else None) for n in range(many)]

    def enter(self) -> list[Sha256]:
        """Store the card's files in the catalog; returns their digests."""
        photos = self.workspace.catalog.photos
        with self.workspace.catalog.transaction():
            photos.add_originals(IntakeId(f"20260514-180000-{self.name}"), [one for one, _, _ in self._files])
            photos.describe([(one.sha256, facts, look) for one, facts, look in self._files])
        return self.shas

    def __post_init__(self) -> None:
        self._files: list = []

    def _photo(self, claim: str | None) -> Sha256:
        self.count += 1
        self.moment += timedelta(seconds=10)
        sha = digest(f"{self.name} {self.count}")
        path = f"DCIM/100TESTC/{self.name.upper()}{self.count:04d}.JPG"
        shown = self.moment.replace(year=self.moment.year + self.years)
        facts = CameraFacts(taken_local=shown, make="Testcam", model=self.model)
        marks = (DividerMark(claim=ClaimId(claim), code_area=0.3),) if claim else ()
        dcf = DcfName(folder_number=100, file_number=self.count)
        self._files.append((copied(path, sha, dcf=dcf), facts, Look(dividers=marks, phash=sha[:16])))
        self.shas.append(sha)
        return sha
