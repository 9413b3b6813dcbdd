"""Backup targets, which keep copies of bags: a folder on another disk or on a share."""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from evidence.archive import places
from evidence.archive.assembly import (
    Assembled,
    Damaged,
    PayloadFile,
    assemble,
    known_paths,
    other_files,
    recorded_digests,
)
from evidence.archive.bagcheck import WHOLE, BagCheck, PayloadReading, check_bag
from evidence.archive.bagread import SHA256_MANIFEST, TAG_MANIFEST, is_litter, read_tags
from evidence.archive.bags import list_payload
from evidence.archive.digest_search import find_digests
from evidence.archive.exchange import (
    LOCKS,
    OnStep,
    hidden_states,
    locked,
    next_state,
    recover_folder,
    recover_folders,
    remove_folder,
)
from evidence.archive.names import why_unsafe
from evidence.archive.target_folder import is_ours, mount_point, nested, refuse_link, refuse_links_below
from evidence.archive.target_marker import MARKER, require_marker, write_marker
from evidence.archive.target_payload import kept_files, payload_of
from evidence.disk.copying import copy_file
from evidence.disk.durable import free_bytes, ignore_step
from evidence.disk.faults import STORED_REMEDY, reading, writing
from evidence.disk.hashing import hash_file
from evidence.disk.modes import in_a_bag, set_modes
from evidence.disk.parallel import FILES_AT_ONCE
from evidence.errors import BadInputError, BagError, CardReadError, CopyMismatchError, DestinationError
from evidence.model import Sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class PushResult:
    """What copying one bag to a target changed."""

    copied: int
    """Payload files written, read back from the target and matched."""
    unchanged: int
    """Payload files that the target's bag already had, by its manifest; they were not read."""
    removed: int
    """Payload files that were removed from the target's bag."""
    octets: int
    """Bytes of payload copied."""
    verified: tuple[Sha256, ...]
    """Digests of the files copied, sorted: these were read back from the target now."""
    tag_manifest: Sha256
    """Digest of the tag manifest that the copy has now: it stands for every byte of the bag."""
    damaged: tuple[str, ...] = ()
    """Paths below `data/` that could not be copied, because the local file is bad, and are not good at the target."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderTarget:
    """A folder on another disk, or on a share that is mounted here.

    Nothing outside `root` is read or written; links in it are not followed. `root` must exist and
    hold the marker that `prepare` writes, so that nothing is written below the mount point of a
    disk that is not mounted.
    """

    name: str
    root: Path
    off_computer: bool
    archive: Path | None = None
    """The archive that is backed up; neither may be inside the other."""
    at_once: int = FILES_AT_ONCE
    """Files copied at the same time."""

    def place_id(self) -> str:
        """See `places.place_id`. Raises DestinationError when there is no such folder."""
        with writing(self.root):
            return places.place_id(self.root)

    def medium(self) -> str:
        """See `places.medium`. Raises DestinationError when there is no such folder."""
        with writing(self.root):
            return places.medium(self.root)

    def marker_id(self) -> str:
        """The id that `prepare` gave the folder: another disk has another. Raises as `check_ready`."""
        return require_marker(self.root, self.name)

    # --- ready? --------------------------------------------------------------------------

    def prepare(self) -> None:
        """Write the marker of this target into an existing folder; do nothing when it is there.

        Raises BadInputError (folder missing, unsuitable, or of another target), DestinationError.
        """
        self._require_place()
        if (self.root / MARKER).exists():
            require_marker(self.root, self.name)
            return
        write_marker(self.root, self.name)

    def check_ready(self) -> None:
        """Raise BadInputError or DestinationError unless this is the right folder and can be written."""
        self._require_place()
        require_marker(self.root, self.name)
        with writing(self.root):
            probe = self.root / ".probe"  # a folder, because making one follows no link
            with contextlib.suppress(FileExistsError):
                probe.mkdir()
            with contextlib.suppress(FileNotFoundError):
                probe.rmdir()

    def require_present(self) -> None:
        """Raise as `check_ready` when the folder or its marker is not there; nothing is written."""
        self._require_place()
        require_marker(self.root, self.name)

    def _require_place(self) -> None:
        if not self.root.is_dir():
            raise BadInputError(
                f"The folder {self.root} of the backup target {self.name} does not exist.",
                "Connect or mount its disk. For a new disk: `evidence target replace NAME PATH`.",
            )
        root = self.root.resolve()
        if self.archive is not None and nested(root, self.archive.resolve()):
            raise BadInputError(
                f"The backup target {self.name} at {self.root} and the archive at {self.archive} overlap.",
                "Give the target a folder of its own on another disk.",
            )
        if "DCIM" in root.parts or (root / "DCIM").is_dir() or (mount_point(root) / "DCIM").is_dir():
            raise BadInputError(
                f"The backup target {self.name} at {self.root} looks like a camera card.",
                "Nothing is ever written to a card: give the target a folder on another disk.",
            )

    def restrict_permissions(self) -> None:
        """Give the target's folder, and what this program keeps in it, the permissions of `disk.modes`."""
        set_modes(self.root, in_a_bag, only=is_ours)

    # --- bags ----------------------------------------------------------------------------

    def recover(self) -> tuple[str, ...]:
        """Finish or undo what killed runs left; returns the names of the bags.

        Bags that another process is writing are skipped.
        """
        require_marker(self.root, self.name)
        return recover_folders(self.root, known_paths)

    def names(self) -> tuple[str, ...]:
        """Names of the bags there, sorted."""
        require_marker(self.root, self.name)
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

    def listed(self, name: str) -> Mapping[str, Sha256]:
        """What the manifest of the copy lists, by path below `data/`; nothing without a readable manifest."""
        require_marker(self.root, self.name)
        with contextlib.suppress(BagError):
            return recorded_digests(self._bag_folder(name))
        return {}

    def unlisted(self, name: str) -> Mapping[str, Sha256]:
        """Digests of the payload files that the copy's manifest does not list, read now, by path below `data/`.

        Without a readable manifest these are all of them. Raises CardReadError for a file that cannot be read.
        """
        listed, data = self.listed(name), self._bag_folder(name) / "data"
        found = {}
        for path in sorted(data.rglob("*")):
            inside = path.relative_to(data).as_posix()
            if inside not in listed and path.is_file() and not path.is_symlink() and not is_litter(inside):
                with reading(str(path), STORED_REMEDY):
                    found[inside] = hash_file(path, uncached=True)
        return found

    def tag_file(self, name: str, path: str) -> bytes | None:
        """A tag file of the copy, as it is there; None when it cannot be read."""
        require_marker(self.root, self.name)
        place = self._bag_folder(name) / path
        refuse_link(place)
        with contextlib.suppress(OSError):
            return place.read_bytes()
        return None

    def holds(self, name: str, path: str, digest: Sha256) -> bool:
        """Read a payload file of the copy back; True when it has this digest."""
        require_marker(self.root, self.name)
        place = self._bag_folder(name) / "data" / path
        try:
            return not place.is_symlink() and hash_file(place, uncached=True) == digest
        except OSError:
            return False

    def put_bag(
        self,
        local: Path,
        name: str,
        *,
        recopy: bool = False,
        keep: Mapping[str, Sha256] | None = None,
        on_step: OnStep = ignore_step,
    ) -> PushResult:
        """Make the copy equal to the local bag; the copy is valid at every instant.

        A killed run is resumed. `recopy` copies every file again, as after a check that found a
        bad one; a copy whose manifest cannot be read is always copied again. `keep` names payload
        files that only the copy has and that stay in it, by path below `data/`.

        On a failure the copy stays as it was.

        A local file that is bad or missing does not stop the others: see `PushResult.damaged`.
        Raises BagError (the local bag cannot be read, or a copy reads back different), BadInputError, DestinationError, LockedError.
        """
        self.check_ready()
        bag = self._bag_folder(name)
        tags = read_tags(local)
        payload = payload_of(local, tags, incomplete=True)
        if keep:
            payload |= kept_files(bag, payload, keep)
            tags = list_payload(tags, payload)
        refuse_link(self.root / LOCKS)
        with locked(bag):
            for each in (bag, next_state(bag)):
                refuse_links_below(each)
            recover_folder(bag, known_paths, keep_unfinished=True)
            recopy = recopy or _manifest_damaged(bag)
            self._require_free_space(bag, payload, recopy=recopy)
            done = assemble(
                bag,
                payload,
                tags,
                copy=_copy,
                recopy=recopy,
                at_once=self.at_once,
                damaged=Damaged.LEAVE_OUT,
                on_step=on_step,
            )
        return _push_result(done, payload, tags)

    def fetch_bag(self, name: str, bag: Path, *, on_step: OnStep = ignore_step) -> PushResult:
        """Restore a copy: make the local bag equal to it, every file verified.

        Every file is copied again. Files that the local bag does not list are kept, see
        `bags.build_bag`.

        Raises BagError when the copy is damaged; the local bag stays as it was.
        """
        require_marker(self.root, self.name)
        copy = self._bag_folder(name)
        refuse_links_below(copy)
        tags = read_tags(copy)
        payload = payload_of(copy, tags)
        with locked(bag):
            recover_folder(bag, known_paths)
            done = assemble(
                bag, payload, tags, copy=_copy, recopy=True, at_once=self.at_once, on_step=on_step
            )
        return _push_result(done, payload, tags)

    def fetch_file(self, name: str, path: str, dest: Path, expect: Sha256) -> None:
        """Restore one payload file, by its path below `data/`, to a free name; it has the digest `expect`.

        Raises BagError when the file is missing, unreadable or altered; nothing is left then.
        """
        require_marker(self.root, self.name)
        copy = self._bag_folder(name)
        refuse_links_below(copy)
        try:
            copy_file(copy / "data" / path, dest, expect)
        except (CardReadError, CopyMismatchError) as trouble:
            gone = not (copy / "data" / path).exists()
            what = (
                "is missing"
                if gone
                else "cannot be read"
                if isinstance(trouble, CardReadError)
                else "has changed"
            )
            raise BagError(
                f"{path} {what} in the copy {name} at {self.name}.",
                "Run `evidence verify`, then `evidence repair`.",
            ) from trouble

    def check_bag(
        self,
        name: str,
        *,
        expected: Mapping[str, Sha256] | None = None,
        reading: PayloadReading = WHOLE,
    ) -> BagCheck:
        """Read the copy and compare; see `bagcheck.check_bag`.

        A missing copy is reported, not raised.
        """
        require_marker(self.root, self.name)
        bag = self._bag_folder(name)
        return check_bag(bag, expected=expected, reading=reading)

    def remove_bag(self, name: str) -> bool:
        """Remove the copy and everything left of it; False when there was none."""
        self.check_ready()
        bag = self._bag_folder(name)
        with locked(bag):
            return remove_folder(bag)

    def remove_released_bag(self, name: str) -> None:
        """Remove the copy of a bag of which every file is released; one whose folder holds other files too stays.

        Raises BagError then.
        """
        self.check_ready()
        bag = self._bag_folder(name)
        with locked(bag):
            if others := other_files(bag):
                raise BagError(
                    f"The copy {name} at {self.name} holds files that are not its own, first {others[0]}.",
                    f"Move them out of {bag}, then run the backup again.",
                )
            remove_folder(bag)

    def find_digests(self, digests: Collection[Sha256]) -> tuple[str, ...]:
        """Paths at the target whose bytes have one of these digests, sorted; see `digest_search`."""
        require_marker(self.root, self.name)
        with writing(self.root):
            return find_digests(self.root, digests)

    def free_space(self) -> int | None:
        """Bytes free for this user on the target's disk."""
        with writing(self.root):
            return free_bytes(self.root)

    def _bag_folder(self, name: str) -> Path:
        """The bag's folder, directly below `root`; raises when it or a hidden sibling is a link."""
        if why_unsafe(name) or "/" in name or name.startswith(".") or name == MARKER:
            raise BadInputError(f"{name!r} cannot be the name of a bag's folder.", "Use a plain folder name.")
        bag = self.root / name
        for each in (bag, *hidden_states(bag)):
            refuse_link(each)
        return bag

    def _require_free_space(self, bag: Path, payload: Mapping[str, PayloadFile], *, recopy: bool) -> None:
        """Raise DestinationError before copying when the disk is too small."""
        there = set() if recopy else set(recorded_digests(bag).values())
        needed = sum(item.size for item in payload.values() if item.sha256 not in there)
        begun = sum(path.stat().st_size for path in next_state(bag).rglob("*") if path.is_file())
        free = self.free_space()
        if free is not None and needed - begun > free:
            raise DestinationError(
                f"The backup target {self.name} has {free >> 20} MiB free; "
                f"{bag.name} needs {needed - begun >> 20} MiB.",
                "Free some space there, or add another disk with `evidence target add NAME PATH`; then run the backup again.",
            )


# --- on the disk -------------------------------------------------------------------------

_copy = partial(copy_file, sync_names=False)
"""`assemble` flushes the folders of the next state once, after all its files."""


def _require_readable_manifest(bag: Path) -> None:
    """Raise BagError when the disk cannot read a manifest: nobody knows then which files there may go."""
    for name in ("bagit.txt", SHA256_MANIFEST):
        try:
            (bag / name).read_bytes()
        except FileNotFoundError:
            continue
        except OSError as error:
            raise BagError(
                f"{name} of the copy {bag.name} cannot be read: {error.strerror}.",
                "Run it again. If it stays so, the disk may be failing: run `evidence verify`, then `evidence repair`.",
            ) from error


def _manifest_damaged(bag: Path) -> bool:
    """True when the manifest of a copy can be read and is wrong. Raises BagError when the disk cannot read it."""
    try:
        recorded_digests(bag)
    except BagError:
        _require_readable_manifest(bag)
        return True
    return False


def _push_result(
    done: Assembled, payload: Mapping[str, PayloadFile], tags: Mapping[str, bytes]
) -> PushResult:
    return PushResult(
        copied=len(done.added),
        unchanged=len(done.kept),
        removed=len(done.removed),
        octets=sum(payload[path].size for path in done.added),
        verified=tuple(sorted({payload[path].sha256 for path in done.added})),
        tag_manifest=Sha256(hashlib.sha256(tags[TAG_MANIFEST]).hexdigest()),
        damaged=done.damaged,
    )
