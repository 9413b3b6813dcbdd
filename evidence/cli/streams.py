"""Standard input, output and error: present, able to take every character, and given up when they cannot be written."""

from __future__ import annotations

import io
import json
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from evidence.errors import printable_json

_STANDARD = {"stdin": 0, "stdout": 1, "stderr": 2}
"""The names in `sys` and the descriptors of the standard streams."""


def prepare_streams() -> None:
    """Give a process that was started without a standard stream an empty one; escape what an encoding lacks.

    Without it the next file that is opened gets the stream's descriptor, and a stray message is written into it.
    """
    for number in _STANDARD.values():
        try:
            os.fstat(number)
        except OSError:
            null = os.open(os.devnull, os.O_RDWR)
            if null != number:
                os.dup2(null, number)
                os.close(null)
    for name in _STANDARD:
        if getattr(sys, name) is None:
            mode = "r" if name == "stdin" else "w"
            setattr(sys, name, Path(os.devnull).open(mode, encoding="utf-8"))  # noqa: SIM115 - open until the end
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and stream.errors == "strict":
            stream.reconfigure(errors="backslashreplace")


def print_json(data: Any, *, indent: int | None = None) -> None:
    """Print a JSON value at once; only in ASCII where the output's encoding lacks characters (RFC 8259, section 7)."""
    encoding = getattr(sys.stdout, "encoding", None) or "utf-8"
    escaped = encoding.lower().replace("-", "") != "utf8"
    print(printable_json(json.dumps(data, ensure_ascii=escaped, indent=indent)), flush=True)


@contextmanager
def given_up(name: str) -> Iterator[None]:
    """What is written inside may fail, because a disk is full or the reader is gone; then nothing more is written."""
    try:
        yield
        getattr(sys, name).flush()
    except OSError:
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, _STANDARD[name])
        os.close(null)
