"""Where bags are backed up to, behind one interface; here a folder on another disk or on a share."""

from __future__ import annotations

import contextlib
import json
import os
import secrets
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import rfc8785

from evidence.archive import places
from evidence.archive.bagcheck import BagCheck, Progress, check_bag
from evidence.archive.bagread import DATA, SHA256_MANIFEST
from evidence.archive.bags import (
    Assembled,
    PayloadFile,
    assemble,
    known_paths,
    parse_manifest,
    read_tags,
    recorded_in,
)
from evidence.archive.holdings import find_digests
from evidence.archive.names import why_unsafe
from evidence.archive.swap import (
    LOCKS,
    Step,
    exclusively,
    hidden_siblings,
    next_of,
    quiet,
    recover,
    settle,
    vanish,
)
from evidence.disk.copying import copy_file
from evidence.disk.durable import free_bytes, sync_folder
from evidence.disk.faults import writing
from evidence.errors import BadInputError, BagError, DestinationError
from evidence.model import Sha256

MARKER = "backup-target.json"
"""Written by `prepare` into the folder of a target. Where it is absent, the disk is not the one meant."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pushed:
    """What bringing one bag to a target did."""

    copied: int
    """Payload files written, read back from the target and matched."""
    unchanged: int
    """Payload files that the target's bag had already, by its manifest; not read again."""
    removed: int
    """Payload files that the target's bag has no longer."""
    octets: int
    """Bytes of payload copied."""
    verified: tuple[Sha256, ...]
    """Digests of the files copied, sorted: these are proved at the target as of now."""


class Target(Protocol):
    """A place that keeps copies of bags. A name is that of the bag's folder.

    All may raise DestinationError when the place cannot be reached or written.
    """

    @property
    def name(self) -> str:
        """What people call it."""
        ...

    @property
    def off_computer(self) -> bool:
        """It survives the loss of this computer."""
        ...

    def place_id(self) -> str:
        """The physical disk or the service; equal ids are one place (rule 4)."""
        ...

    def check_ready(self) -> None:
        """Raise BadInputError or DestinationError, in one line, unless the place can be used now."""
        ...

    def recover(self) -> tuple[str, ...]:
        """Finish or undo what killed runs left; the names of the bags concerned."""
        ...

    def names(self) -> tuple[str, ...]:
        """Bags that stand there, sorted."""
        ...

    def put_bag(self, local: Path, name: str, *, afresh: bool = False, step: Step = quiet) -> Pushed:
        """Make the copy equal to the local bag, valid at every instant.

        A run that was killed is gone on with. `afresh` trusts nothing that stands there and
        copies every file again, as after a check that found a bad one; a copy whose manifest
        cannot be read is replaced so in any case.
        """
        ...

    def fetch_bag(self, name: str, home: Path, *, step: Step = quiet) -> Pushed:
        """Bring a copy back: make the local bag `home` equal to it, every file proved on the way.

        Nothing of what stands at `home` is believed; files there that no list of its own
        names are kept, see `bags.build_bag`.
        """
        ...

    def check_bag(
        self,
        name: str,
        *,
        fast: bool = False,
        expected: Mapping[str, Sha256] | None = None,
        progress: Progress | None = None,
    ) -> BagCheck:
        """Read the copy back, every byte of it, and compare; see `bags.check_bag`."""
        ...

    def remove_bag(self, name: str) -> bool:
        """Remove the copy and all its leftovers; False when there was none."""
        ...

    def holds(self, digests: Collection[Sha256], *, deep: bool = False) -> tuple[str, ...]:
        """Paths at the target whose bytes have one of these digests, sorted; for the look after a purge.

        Bags answer by their manifests, everything else is read. `deep` reads the bags too.
        """
        ...

    def free_space(self) -> int | None:
        """Bytes free, or None where the place does not say."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderTarget:
    """A folder on another disk, or on a share that is mounted here.

    Nothing outside `root` is read or written: links in it are not followed. `root` must exist
    and bear the marker that `prepare` writes, so that a disk that is not mounted is noticed
    and not filled in its absence.
    """

    name: str
    root: Path
    off_computer: bool
    archive: Path | None = None
    """The archive that is backed up; neither may lie inside the other."""
    cards: tuple[Path, ...] = ()
    """Roots of cards in use; the target may not lie on one."""
    place: str = ""
    """Where the office knows better which places are one: taken instead of the disk's own id."""

    def place_id(self) -> str:
        """See `places.place_id`. Raises DestinationError when the folder is not there."""
        if self.place:
            return f"stated:{self.place}"
        with writing(self.root):
            return places.place_id(self.root)

    # --- ready? --------------------------------------------------------------------------

    def prepare(self) -> None:
        """Mark an existing, suitable folder as this target; marking it twice changes nothing.

        Raises BadInputError (missing, unsuitable, or another target's), DestinationError.
        """
        self._require_place()
        if (self.root / MARKER).exists():
            self._require_marker()
            return
        content = rfc8785.dumps({"target": self.name, "id": secrets.token_hex(16)}) + b"\n"
        with writing(self.root):
            with (self.root / MARKER).open("xb") as handle:
                handle.write(content)
                handle.flush()
                os.fsync(handle.fileno())
            sync_folder(self.root)

    def check_ready(self) -> None:
        """Raise BadInputError or DestinationError unless this folder is the target meant and can be written."""
        self._require_place()
        self._require_marker()
        with writing(self.root):
            probe = (
                self.root / ".probe"
            )  # a folder: making one follows no link; one that a kill left is taken up
            with contextlib.suppress(FileExistsError):
                probe.mkdir()
            with contextlib.suppress(FileNotFoundError):
                probe.rmdir()

    def _require_place(self) -> None:
        if not self.root.is_dir():
            raise BadInputError(
                f"The folder {self.root} of the backup target {self.name} is not there.",
                "Connect or mount its disk, or make the folder if it is new.",
            )
        root = self.root.resolve()
        others = [(self.archive, "the archive"), *((card, "a camera card") for card in self.cards)]
        for other, what in others:
            if other is not None and _nested(root, other.resolve()):
                raise BadInputError(
                    f"The backup target {self.name} at {self.root} and {what} at {other} lie inside one another.",
                    "Give the target a folder of its own on another disk.",
                )
        if "DCIM" in root.parts or (root / "DCIM").is_dir() or (_mount_point(root) / "DCIM").is_dir():
            raise BadInputError(
                f"The backup target {self.name} at {self.root} looks like a camera card.",
                "Nothing is ever written to a card: give the target a folder on another disk.",
            )

    def _require_marker(self) -> None:
        path = self.root / MARKER
        try:
            content = json.loads(path.read_bytes())
        except FileNotFoundError:
            raise BadInputError(
                f"{self.root} is not prepared as the backup target {self.name}: its disk may not be mounted.",
                "Mount the disk; a new target is prepared once.",
            ) from None
        except (OSError, ValueError) as error:
            raise DestinationError(f"{path} cannot be read: {error}.", "Check the disk.") from error
        if not isinstance(content, dict) or content.get("target") != self.name:
            raise BadInputError(
                f"{self.root} is the folder of another backup target than {self.name}.",
                "Mount the right disk, or correct the settings.",
            )

    # --- bags ----------------------------------------------------------------------------

    def recover(self) -> tuple[str, ...]:
        """See `Target`; bags that another process is writing are left to it."""
        self._require_marker()
        return recover(self.root, known_paths)

    def names(self) -> tuple[str, ...]:
        """See `Target`."""
        self._require_marker()
        with writing(self.root):
            return tuple(
                sorted(
                    entry.name
                    for entry in self.root.iterdir()
                    if not entry.name.startswith(".")
                    and not entry.is_symlink()
                    and (entry / "bagit.txt").is_file()
                )
            )

    def put_bag(self, local: Path, name: str, *, afresh: bool = False, step: Step = quiet) -> Pushed:
        """See `Target`. Raises BagError when the local bag is not what its manifests say, BadInputError,
        DestinationError, LockedError; the copy is then as it was.
        """
        self.check_ready()
        home = self._home(name)
        tags = read_tags(local)
        payload = _payload_of(local, tags)
        _refuse_link(self.root / LOCKS)
        with exclusively(home):
            for each in (home, next_of(home)):
                _refuse_links_below(each)
            settle(home, known_paths, keep_unfinished=True)
            afresh = afresh or _manifest_is_lost(home)
            self._require_room(home, payload, afresh=afresh)
            done = assemble(home, payload, tags, placer=copy_file, afresh=afresh, step=step)
        return _pushed(done, payload)

    def fetch_bag(self, name: str, home: Path, *, step: Step = quiet) -> Pushed:
        """See `Target`. Raises BagError when the copy is not what its manifests say; `home` is then as it was."""
        self._require_marker()
        copy = self._home(name)
        _refuse_links_below(copy)
        tags = read_tags(copy)
        payload = _payload_of(copy, tags)
        with exclusively(home):
            settle(home, known_paths)
            done = assemble(home, payload, tags, placer=copy_file, afresh=True, step=step)
        return _pushed(done, payload)

    def check_bag(
        self,
        name: str,
        *,
        fast: bool = False,
        expected: Mapping[str, Sha256] | None = None,
        progress: Progress | None = None,
    ) -> BagCheck:
        """See `Target`. A bag that is not there is reported, not raised."""
        self._require_marker()
        home = self._home(name)
        return check_bag(home, fast=fast, expected=expected, progress=progress)

    def remove_bag(self, name: str) -> bool:
        """See `Target`."""
        self.check_ready()
        home = self._home(name)
        with exclusively(home):
            return vanish(home)

    def holds(self, digests: Collection[Sha256], *, deep: bool = False) -> tuple[str, ...]:
        """See `Target`. Half-built bags, leftovers and files in no manifest are read."""
        self._require_marker()
        with writing(self.root):
            return find_digests(self.root, digests, deep=deep)

    def free_space(self) -> int | None:
        """Bytes free for this user on the target's disk."""
        with writing(self.root):
            return free_bytes(self.root)

    def _home(self, name: str) -> Path:
        """The bag's folder, straight below `root`, where neither it nor its hidden siblings are links."""
        if why_unsafe(name) or "/" in name or name.startswith(".") or name == MARKER:
            raise BadInputError(f"{name!r} is not a name for a bag's folder.", "Use the folder's plain name.")
        home = self.root / name
        for each in (home, *hidden_siblings(home)):
            _refuse_link(each)
        return home

    def _require_room(self, home: Path, payload: Mapping[str, PayloadFile], *, afresh: bool) -> None:
        """Say that a disk is too small before hours of copying, not after."""
        there = {} if afresh else recorded_in(home)
        needed = sum(item.size for path, item in payload.items() if there.get(path) != item.sha256)
        begun = sum(path.stat().st_size for path in next_of(home).rglob("*") if path.is_file())
        free = self.free_space()
        if free is not None and needed - begun > free:
            raise DestinationError(
                f"The backup target {self.name} has {free >> 20} MiB free; "
                f"{home.name} needs {needed - begun >> 20} MiB.",
                "Free some space there or add another target, then run the backup again.",
            )


# --- on the disk -------------------------------------------------------------------------


def _nested(one: Path, other: Path) -> bool:
    return one == other or one in other.parents or other in one.parents


def _mount_point(path: Path) -> Path:
    while not path.is_mount() and path != path.parent:
        path = path.parent
    return path


def _refuse_link(path: Path) -> None:
    if path.is_symlink():
        raise DestinationError(
            f"{path} is a link, and links in a backup target are not followed.",
            "Remove the link, then run it again.",
        )


def _refuse_links_below(folder: Path) -> None:
    for parent, names, files in os.walk(folder):
        for name in (*names, *files):
            _refuse_link(Path(parent, name))


def _manifest_is_lost(home: Path) -> bool:
    try:
        recorded_in(home)
    except BagError:
        return True
    return False


def _pushed(done: Assembled, payload: Mapping[str, PayloadFile]) -> Pushed:
    return Pushed(
        copied=len(done.added),
        unchanged=len(done.kept),
        removed=len(done.removed),
        octets=sum(payload[path].size for path in done.added),
        verified=tuple(sorted({payload[path].sha256 for path in done.added})),
    )


def _payload_of(local: Path, tags: Mapping[str, bytes]) -> dict[str, PayloadFile]:
    """What the local bag's manifest, as just read and proved, lists; sizes from the files."""
    payload = {}
    for listed, digest in parse_manifest(tags[SHA256_MANIFEST]).items():
        source = local / listed
        try:
            size = source.lstat().st_size
        except OSError as error:
            raise BagError(
                f"{listed} is missing from the bag {local.name}.",
                "Bring it back from a backup, then run it again.",
            ) from error
        payload[listed.removeprefix(DATA)] = PayloadFile(sha256=digest, size=size, source=source)
    return payload
