"""Sources of photos: a mounted card, or a folder that a person gives."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import psutil

from evidence.cards.reading import encode_name, list_folder
from evidence.errors import BadInputError, one_line

_NEXT_STEP = "Give the folder where the card is mounted (the one with DCIM), or a folder of photos."


@dataclass(frozen=True, slots=True, kw_only=True)
class CardSource:
    """A card or folder that photos are read from. Nothing is ever written to it."""

    root: Path
    """Absolute, links resolved."""
    label: str
    """The volume's label, else the folder's name."""
    volume_id: str
    """The file system's own id (UUID or serial number); empty where it is unknown."""
    device: int
    """`st_dev` of the root: equal for folders on one file system, while it is mounted."""
    read_only: bool
    """True where the file system is mounted read-only."""
    card_id: str = ""
    """`volume_id` and the folder's path in that volume: equal when the card is connected again, wherever.
    Empty where the volume's id is unknown."""


class Partition(Protocol):
    """A mounted file system, as `psutil.disk_partitions` gives it."""

    @property
    def device(self) -> str:
        """For instance `/dev/sdb1`, or a drive letter."""
        ...

    @property
    def mountpoint(self) -> str:
        """The folder where it is mounted."""
        ...

    @property
    def fstype(self) -> str:
        """File system type."""
        ...

    @property
    def opts(self) -> str:
        """Mount options, joined by commas."""
        ...


def open_source(path: Path) -> CardSource:
    """Open a card or folder as a source.

    Raises BadInputError for one that does not exist, is a file, cannot be read, or holds no file.
    """
    shown = one_line(path)
    try:
        root = Path(os.path.realpath(path))
        device = root.stat().st_dev
    except FileNotFoundError:
        raise BadInputError(f"There is no folder {shown}.", _NEXT_STEP) from None
    except (OSError, ValueError) as error:
        raise BadInputError(f"{shown} cannot be read: {_reason(error)}.", _NEXT_STEP) from None
    if not root.is_dir():
        raise BadInputError(f"{shown} is a file, not a folder.", _NEXT_STEP)
    unreadable = _why_no_file(root)
    if unreadable is not None:
        raise BadInputError(f"{shown} {unreadable}.", _NEXT_STEP)
    partition = partition_of(root)
    label, volume_id = _label_and_id(root, partition)
    return CardSource(
        root=root,
        label=encode_name(label or root.name or str(root)),
        volume_id=volume_id,
        device=device,
        read_only=_is_read_only(root, partition),
        card_id=_card_id(root, partition, volume_id),
    )


def mounted_cards(partitions: Iterable[Partition] | None = None) -> tuple[CardSource, ...]:
    """Removable volumes that have a DCIM folder and at least one file, by their mount point."""
    found = []
    for partition in _partitions() if partitions is None else partitions:
        root = Path(partition.mountpoint)
        if not is_removable(partition) or not _has_dcim(root):
            continue
        with contextlib.suppress(BadInputError):
            found.append(open_source(root))
    return tuple(sorted(found, key=lambda card: card.root))


def _reason(error: OSError | ValueError) -> str:
    return (getattr(error, "strerror", None) or str(error)).lower()


def _why_no_file(root: Path) -> str | None:
    """None when there is a regular file below `root`, else a phrase that says why there is none."""
    top = list_folder(root)
    if top.error and not top.entries:
        return f"cannot be read: {top.error.lower()}"
    waiting = [root]
    locked = 0
    while waiting:
        folder = waiting.pop()
        listing = list_folder(folder)
        locked += bool(listing.error)
        for entry in listing.entries:
            if entry.is_file:
                return None
            if entry.is_folder:
                waiting.append(folder / entry.name)
    if locked:
        return f"holds no file that can be read ({locked} of its folders cannot be opened)"
    return "is empty: there is no file in it"


def _has_dcim(root: Path) -> bool:
    return any(entry.is_folder and entry.name.upper() == "DCIM" for entry in list_folder(root).entries)


def _partitions(*, all_kinds: bool = False) -> Iterable[Partition]:
    try:
        return list(psutil.disk_partitions(all=all_kinds))
    except (OSError, psutil.Error):
        return []


def partition_of(path: Path, *, all_kinds: bool = False) -> Partition | None:
    """The mounted file system that a resolved path is on; `all_kinds` includes network file systems."""
    holding = [p for p in _partitions(all_kinds=all_kinds) if path.is_relative_to(p.mountpoint)]
    return max(holding, key=lambda p: len(Path(p.mountpoint).parts), default=None)


def is_removable(partition: Partition) -> bool:
    """True for a removable disk, as far as the system tells."""
    if "removable" in partition.opts.split(","):  # how psutil marks them on Windows
        return True
    if sys.platform == "win32":
        return False
    place = Path(partition.mountpoint)
    if any(place.is_relative_to(parent) for parent in ("/media", "/run/media", "/Volumes")):
        return not place.is_symlink()
    block = Path("/sys/class/block") / Path(partition.device).name
    for flag in (
        block / "removable",
        block.resolve().parent / "removable",
    ):  # for a partition, its disk has the flag
        with contextlib.suppress(OSError):
            return flag.read_text(encoding="ascii").strip() == "1"
    return False


def _is_read_only(root: Path, partition: Partition | None) -> bool:
    if hasattr(os, "statvfs"):
        with contextlib.suppress(OSError):
            return bool(os.statvfs(root).f_flag & os.ST_RDONLY)
    return partition is not None and "ro" in partition.opts.split(",")


def _card_id(root: Path, partition: Partition | None, volume_id: str) -> str:
    if not volume_id.strip("0-"):  # some cameras write zeros: that names no card
        return ""
    top = Path(partition.mountpoint) if partition else Path(root.anchor)
    return f"{volume_id}:{encode_name(root.relative_to(top).as_posix())}" if root.is_relative_to(top) else ""


def _label_and_id(root: Path, partition: Partition | None) -> tuple[str, str]:
    """Label and id of the volume; empty strings where they are unknown."""
    if sys.platform == "win32":
        return _label_and_id_on_windows(root)
    if partition is None:
        return "", ""
    device = os.path.realpath(partition.device)
    label = _link_to(device, Path("/dev/disk/by-label")) if root == Path(partition.mountpoint) else ""
    return label, _link_to(device, Path("/dev/disk/by-uuid"))


def _link_to(device: str, folder: Path) -> str:
    """Name of the link to a device in a folder of udev, with its escapes decoded."""
    for entry in list_folder(folder).entries:
        if os.path.realpath(folder / entry.name) == device:
            return entry.name.encode("ascii", "replace").decode("unicode_escape")
    return ""


def _label_and_id_on_windows(root: Path) -> tuple[str, str]:
    if sys.platform != "win32":
        return "", ""
    import ctypes  # noqa: PLC0415 - only Windows has the call

    label = ctypes.create_unicode_buffer(261)
    serial = ctypes.c_uint32()
    known = ctypes.windll.kernel32.GetVolumeInformationW(
        ctypes.c_wchar_p(root.anchor), label, len(label), ctypes.byref(serial), None, None, None, 0
    )
    if not known:
        return "", ""
    on_top = root == Path(root.anchor)
    return (label.value if on_top else ""), f"{serial.value >> 16:04X}-{serial.value & 0xFFFF:04X}"
