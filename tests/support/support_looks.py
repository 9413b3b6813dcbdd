"""Tasks for other processes: they must be importable there by name."""

from __future__ import annotations

import os
import signal
import time

from evidence.sight.look import look


def failing_look(request):
    """An analysis that crashes, hangs or raises, depending on the file's name."""
    name = request.path.name
    if "kills" in name:
        os.kill(os.getpid(), signal.SIGKILL if hasattr(signal, "SIGKILL") else signal.SIGTERM)
    if "hangs" in name:
        time.sleep(600)
    if "raises" in name:
        raise RuntimeError("a decoder failed")
    return look(request)


def process_id(_):
    return os.getpid()


def make_a_folder(path):
    path.mkdir()
