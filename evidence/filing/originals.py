"""Where an original is: in a bag, or in the intake area on its way into one."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path

from evidence.archive.assembly import PayloadFile
from evidence.archive.custody_key import kept_id
from evidence.catalog.originals import Original
from evidence.catalog.stations import Station
from evidence.catalog.totals import TRAY
from evidence.disk.copying import copy_file, link_or_copy
from evidence.disk.durable import discard, make_folder, sync_folder
from evidence.disk.faults import writing
from evidence.disk.objects import damaged_path, find_object, has_sound_object, incoming_folder, object_path
from evidence.errors import BagError, CardReadError, CopyMismatchError
from evidence.filing.copies import found_bad_since, known_bad
from evidence.model import ClaimId, Sha256
from evidence.settings import ARCHIVE_PLACE
from evidence.workspace import Workspace, bag_in


def find_original(workspace: Workspace, sha: Sha256) -> Path | None:
    """The path of an original in a bag, else in the intake area; None when it is in neither.

    One of another station is found where that station's folder can be reached.
    """
    return _find_here(workspace, sha) or find_at_stations(workspace, sha)


def _find_here(workspace: Workspace, sha: Sha256) -> Path | None:
    return InBags(workspace, [sha]).find(sha) or find_object(workspace.store, sha)


def missing_originals(
    workspace: Workspace, digests: Sequence[Sha256], bags: InBags | None = None
) -> set[Sha256]:
    """Those of `digests` that are in no bag and not in the intake area; `bags` is where they are in bags now."""
    bags = bags or InBags(workspace, digests)
    return {sha for sha in digests if bags.find(sha) is None and find_object(workspace.store, sha) is None}


def has_good_original(workspace: Workspace, sha: Sha256) -> bool:
    """True when a bag or the intake area has the original, and it is not known to be bad."""
    return _find_here(workspace, sha) is not None and not known_bad(workspace, [sha])


def bags_to_repair(workspace: Workspace, bags: InBags) -> set[ClaimId]:
    """Those of the bags in which one of the originals is bad or missing, while the intake area has it."""
    bad = known_bad(workspace, list(bags.held))
    return {
        claim
        for sha, places in bags.held.items()
        if (sha in bad or bags.find(sha) is None) and find_object(workspace.store, sha)
        for claim, _ in places
        if claim not in bags.away or sha in bad
    }


def require_original(workspace: Workspace, sha: Sha256) -> Path:
    """The path of an original; raises BagError when it is nowhere."""
    found = find_original(workspace, sha)
    if found is None and (whose := stations_with(workspace, [sha]).get(sha)):
        raise BagError(
            f"The original {sha[:12]} is at the station {' and '.join(whose)}, whose folder cannot be reached from here.",
            "Open the photo there, or connect that folder: `evidence station list` shows its path.",
        )
    if found is None:
        raise BagError(
            f"The original {sha[:12]} is in no bag and not in the intake area.",
            "Connect a backup target, run `evidence verify` and `evidence repair`, then run this again.",
        )
    return found


def payload_files(
    workspace: Workspace,
    originals: Mapping[Sha256, Original],
    present: Mapping[Sha256, Path],
    bad: Collection[Sha256],
) -> dict[Sha256, PayloadFile]:
    """Originals as the payload of a bag, each from the bag's `present` file unless that is bad and another is there.

    A source that is missing or bad is found out when the bag is built.
    """
    here = {sha: path for sha, path in present.items() if path.is_file()}
    good = {
        sha
        for sha, one in originals.items()
        if sha in here and sha not in bad and here[sha].stat().st_size == one.size
    }
    bags = InBags(workspace, [sha for sha in originals if sha not in good])

    def payload(sha: Sha256, original: Original) -> PayloadFile:
        if sha in good:
            return PayloadFile(sha256=sha, size=original.size, source=here[sha])
        other = find_object(workspace.store, sha) or bags.find(sha, but=present.get(sha))
        if other is not None:
            return PayloadFile(sha256=sha, size=original.size, source=other, replace=True)
        source = here[sha] if sha in here else damaged_path(workspace.store, sha, original.suffix)
        return PayloadFile(sha256=sha, size=original.size, source=source)

    return {sha: payload(sha, original) for sha, original in originals.items()}


def stage_leaving(workspace: Workspace, claim: ClaimId, leaving: Collection[Sha256]) -> None:
    """Put originals that the claim's bag is about to give up into the intake area, unless another bag holds them.

    A file that no longer matches its digest goes there too, as damaged: it follows the photo, so
    that a repair can replace it. Raises DestinationError.
    """
    workspace.catalog.stations.waits_here(leaving)
    kept = workspace.catalog.photos.originals(sorted(leaving))
    bags = InBags(workspace, sorted(kept))
    for sha, original in kept.items():
        source = bags.find(sha, of=[claim])
        elsewhere = [other for other, _ in bags.held.get(sha, ()) if other != claim]
        if source is None or bags.find(sha, of=elsewhere) or has_sound_object(workspace.store, sha):
            continue
        keep_original(workspace, original, source)


def keep_original(workspace: Workspace, original: Original, source: Path) -> None:
    """Put the bytes of an original into the intake area; as damaged when they no longer match. Raises DestinationError."""
    sha, suffix = original.sha256, original.suffix
    try:
        link_or_copy(source, object_path(workspace.store, sha, suffix), sha)
    except (CopyMismatchError, CardReadError):
        _keep_damaged(source, damaged_path(workspace.store, sha, suffix))


def _keep_damaged(source: Path, aside: Path) -> None:
    """Give a bad file a second name outside its bag; without hard links, its only one."""
    with writing(aside):
        make_folder(aside.parent)
        with contextlib.suppress(FileExistsError):
            try:
                os.link(source, aside)
            except FileExistsError:
                raise
            except (OSError, NotImplementedError):
                source.rename(aside)
        sync_folder(aside.parent)


def discard_filed_originals(workspace: Workspace) -> None:
    """Remove intake copies whose original is in a bag and not known to be bad there.

    Does nothing while a bag is out of date. On a server, the catalog then has what is left in the intake area.
    """
    if workspace.catalog.keeping.dirty():
        return
    folders = list(workspace.store.glob("??"))
    stored = [path for folder in folders for path in folder.iterdir() if path.is_file()]
    digests = [Sha256(path.name.partition(".")[0]) for path in stored]
    bags = InBags(workspace, digests)
    bad = known_bad(workspace, digests)
    away = filed_elsewhere(workspace, bags.held)
    left = set()
    for path, sha in zip(stored, digests, strict=True):
        if sha not in bad and (sha in away or bags.find(sha) is not None):
            discard(path)
        else:
            left.add(sha)
    _note_waiting(workspace, left)
    for folder in folders:  # else there would be 256 empty ones to list
        with contextlib.suppress(OSError):
            folder.rmdir()


# --- at other stations -------------------------------------------------------------------


def find_at_stations(workspace: Workspace, sha: Sha256) -> Path | None:
    """The path of an original in the folder of another station that can be reached, or None."""
    if not workspace.shared:
        return None
    holding = workspace.catalog.stations.that_have([sha]).get(sha, set())
    held = workspace.catalog.keeping.held_in([sha]).get(sha, ())
    for one in workspace.catalog.stations.all():
        root = station_folder(one) if one.archive in holding or one.left else None
        if root is None:
            continue
        for claim, path in held:
            row = workspace.catalog.claims.get(claim) if claim else None
            folder = row.folder if row else None
            if claim and not folder:
                continue
            place = bag_in(root, claim, folder) / "data" / path
            if place.is_file():
                return place
        if found := find_object(root / "intake", sha):
            return found
    return None


def station_folder(station: Station) -> Path | None:
    """The folder of another station when it is reachable and is that station's, or None."""
    root = Path(station.path) if station.path else None
    try:
        return root if root is not None and kept_id(root) == station.archive else None
    except OSError:
        return None


def stations_with(workspace: Workspace, digests: Sequence[Sha256]) -> dict[Sha256, list[str]]:
    """The names of the other stations that have these originals; those that no other station has are left out."""
    found = workspace.catalog.stations.that_have(digests)
    names = {one.archive: one.name for one in workspace.catalog.stations.others()} if found else {}
    return {sha: sorted(names[one] for one in stations) for sha, stations in found.items()}


def out_of_reach(workspace: Workspace, sha: Sha256) -> str:
    """The stations that have an original which cannot be read from here; empty for one that can, or that nobody has."""
    if not workspace.shared or find_original(workspace, sha) is not None:
        return ""
    return " and ".join(stations_with(workspace, [sha]).get(sha, ()))


def fetch_from_stations(workspace: Workspace, digests: Sequence[Sha256]) -> set[Sha256]:
    """Copy into the intake area what of these originals is not here but at other stations, read back and compared.

    Returns those that are at a station whose folder cannot be reached, or whose copy there is bad.
    """
    if not workspace.shared:
        return set()
    away = workspace.catalog.stations.that_have(digests)
    waiting: set[Sha256] = set()
    some_left = any(one.left for one in workspace.catalog.stations.all())
    wanted = sorted(away if not some_left else {*away, *missing_originals(workspace, digests)})
    bad = known_bad(workspace, wanted)
    for sha, original in workspace.catalog.photos.originals(wanted).items():
        if find_object(workspace.store, sha) or (sha not in bad and _find_here(workspace, sha)):
            continue
        source = find_at_stations(workspace, sha)
        try:
            if source is None and sha in away:
                waiting.add(sha)
            elif source is not None:
                dest = object_path(workspace.store, sha, original.suffix)
                copy_file(source, dest, sha, parts=incoming_folder(workspace.store))
        except (CopyMismatchError, CardReadError):
            waiting |= {sha} & away.keys()
    return waiting


def filed_elsewhere(
    workspace: Workspace, held: Mapping[Sha256, Sequence[tuple[ClaimId, str]]]
) -> set[Sha256]:
    """Those of these originals that the bag of another station holds, read back there and not found bad since."""
    away = workspace.catalog.stations.of_bags(claim for places in held.values() for claim, _ in places)
    there = {sha: {claim for claim, _ in places if claim in away} for sha, places in held.items()}
    wanted = [sha for sha, claims in there.items() if claims]
    copies = workspace.catalog.keeping.copies(wanted) if wanted else {}
    return {
        sha
        for sha in wanted
        if any(
            row.place == ARCHIVE_PLACE
            and row.claim in there[sha]
            and row.verified_at
            and not found_bad_since(row)
            for row in copies.get(sha, ())
        )
    }


def _note_waiting(workspace: Workspace, left: Collection[Sha256]) -> None:
    """Correct what the catalog has of this station's intake area, which is `left` and what an intake copies now."""
    if not workspace.shared:
        return
    stations = workspace.catalog.stations
    noted = stations.waiting_here()
    stations.waits_no_longer({sha for sha in noted - set(left) if find_object(workspace.store, sha) is None})
    stations.waits_here(workspace.catalog.photos.known(sorted(set(left) - noted)))


class InBags:
    """Where originals are in the bags of this station, read from the catalog at once."""

    def __init__(self, workspace: Workspace, digests: Sequence[Sha256]) -> None:
        self._workspace = workspace
        self.held: Mapping[Sha256, Sequence[tuple[ClaimId, str]]] = (
            workspace.catalog.keeping.held_in(digests) if digests else {}
        )
        """The bags that hold each, at any station, and the payload path there."""
        claims = {claim for places in self.held.values() for claim, _ in places}
        self.away = workspace.catalog.stations.of_bags(claims) if workspace.shared else {}
        """The claims of those bags that stand at another station."""
        claims -= {TRAY}
        self._rows = workspace.catalog.claims.of(claims) if claims else {}

    def find(
        self, sha: Sha256, *, but: Path | None = None, of: Collection[ClaimId] | None = None
    ) -> Path | None:
        """The first payload path of the original that is a file here; not `but`; with `of`, in the bags of these claims."""
        for claim, path in self.held.get(sha, ()):
            if claim in self.away or (of is not None and claim not in of):
                continue
            row = self._rows.get(claim)
            place = self._workspace.bag_of(claim, row.folder if row else None) / "data" / path
            if place != but and place.is_file():
                return place
        return None
