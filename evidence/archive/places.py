"""The physical disk that a folder is on, so that two folders on one disk count as one place; and its kind."""

from __future__ import annotations

import contextlib
import os
import re
import sys
from pathlib import Path

_SYS_BLOCK = Path("/sys/dev/block")
_MOUNTS = Path("/proc/self/mountinfo")
_HARDWARE_NAMES = ("wwid", "device/wwid", "serial", "device/serial")
"""Where the Linux kernel gives the hardware name of a disk, best first (Documentation/ABI, sysfs-block)."""

_SHARES = {"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "ceph", "glusterfs", "afs", "fuse.sshfs", "virtiofs"}
"""File system types of network shares, as mountinfo names them."""
UNKNOWN_MEDIUM = "unknown"
"""The kind of medium where the system does not tell."""


def medium(folder: Path) -> str:
    """The kind of medium below a folder: rotating disk, solid-state disk, network share, memory or unknown.

    Known on Linux alone, from the block layer's `queue/rotational` (Documentation/ABI, sysfs-block). Raises
    OSError when there is no such folder.
    """
    device = folder.stat().st_dev
    if sys.platform != "linux":
        return UNKNOWN_MEDIUM
    major, minor = os.major(device), os.minor(device)
    if not major:
        source, kind = _mount_of(major, minor)
        if kind in {"tmpfs", "ramfs"}:
            return "memory"
        if kind in _SHARES:
            return "network share"
        if not source.startswith("/dev/"):
            return UNKNOWN_MEDIUM
        with contextlib.suppress(OSError):
            below = Path(source).stat().st_rdev
            major, minor = os.major(below), os.minor(below)
    kinds = set()
    with contextlib.suppress(OSError):
        for disk in _disks((_SYS_BLOCK / f"{major}:{minor}").resolve(strict=True)):
            rotates = (disk / "queue" / "rotational").read_text(encoding="ascii").strip() == "1"
            kinds.add("rotating disk" if rotates else "solid-state disk")
    return " and ".join(sorted(kinds)) or UNKNOWN_MEDIUM


def place_id(folder: Path) -> str:
    """A text that is equal for all folders on one physical disk, also after it is connected again.

    On Linux it is the hardware name of the disk, or the server and export of a network share. On
    other systems it is the device number of the file system, so two partitions of one disk count
    as two places there. Raises OSError when there is no such folder.
    """
    device = folder.stat().st_dev
    if sys.platform != "linux":
        return f"filesystem:{device:x}"
    major, minor = os.major(device), os.minor(device)
    if major:
        return _disk(major, minor)
    source, kind = _mount_of(major, minor)
    if source.startswith("/dev/"):  # btrfs and overlay file systems have device numbers of their own
        with contextlib.suppress(OSError):
            below = Path(source).stat().st_rdev
            return _disk(os.major(below), os.minor(below))
    if kind in {"tmpfs", "ramfs", "overlay", ""}:
        return f"{kind or 'filesystem'}:{major}:{minor}"
    return f"{kind}:{source}"


def _disk(major: int, minor: int) -> str:
    """The disk below a partition or a mapped volume, or several joined by '+'."""
    number = f"{major}:{minor}"
    try:
        device = (_SYS_BLOCK / number).resolve(strict=True)
    except OSError:
        return f"disk:{number}"
    names = sorted(set(_hardware(device)))
    return "disk:" + "+".join(names)


def _hardware(device: Path) -> list[str]:
    return [_hardware_name(disk) for disk in _disks(device)]


def _disks(device: Path) -> list[Path]:
    """The whole disks below a partition or a mapped volume, as folders of sysfs."""
    if (device / "partition").exists():
        device = device.parent
    with contextlib.suppress(OSError):
        below = [entry.resolve(strict=True) for entry in (device / "slaves").iterdir()]
        if below:
            return [disk for each in below for disk in _disks(each)]
    return [device]


def _hardware_name(disk: Path) -> str:
    for name in _HARDWARE_NAMES:
        with contextlib.suppress(OSError):
            if text := (disk / name).read_text(encoding="utf-8", errors="replace").strip():
                return re.sub(r"\s+", "_", text)
    return disk.name


def _mount_of(major: int, minor: int) -> tuple[str, str]:
    """Source and file system type of the mount with that device number (proc(5), mountinfo); empty without one."""
    with contextlib.suppress(OSError):
        for line in _MOUNTS.read_text(encoding="utf-8", errors="replace").splitlines():
            before, _, after = line.partition(" - ")
            fields, rest = before.split(), after.split()
            if len(fields) > 2 and fields[2] == f"{major}:{minor}" and len(rest) > 1:
                return rest[1], rest[0]
    return "", ""
