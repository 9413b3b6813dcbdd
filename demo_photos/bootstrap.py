"""Sets up the project with the standard library alone: creates `.venv` and installs the project into it.

Both `python3 demo_photos` and `python3 tests` start here. A second start skips what is done.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
VENV = ROOT / ".venv"
OLDEST = (3, 11)


def prepared(extra: str) -> Path:
    """Return the interpreter of a `.venv` that has the project and the extra; sets it up when needed.

    Ends the process with one clear line and status 2 when that fails.
    """
    if sys.version_info < OLDEST:
        stop(
            f"Python {OLDEST[0]}.{OLDEST[1]} or newer is needed; this is {sys.version.split()[0]}. Install a newer one."
        )
    python = VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    if not python.exists():
        say("Creating .venv ...")
        _make_venv()
    stamp, wanted = VENV / f"installed-{extra}.txt", _fingerprint(extra)
    if not stamp.exists() or stamp.read_text(encoding="utf-8") != wanted:
        say("Installing the project and what it needs (some minutes the first time) ...")
        _install(python, extra)
        stamp.write_text(wanted, encoding="utf-8")
    return python


def _make_venv() -> None:
    try:
        import ensurepip  # noqa: F401, PLC0415
        import venv  # noqa: PLC0415
    except ImportError:
        stop(
            "Python's venv module is missing. Install it (on Debian or Ubuntu: apt install python3-venv), then run this again."
        )
    try:
        venv.EnvBuilder(with_pip=True, clear=VENV.exists()).create(VENV)
    except (OSError, subprocess.CalledProcessError) as trouble:
        stop(
            f".venv could not be created: {trouble}. Check that the folder {ROOT} can be written, then run this again."
        )


def _install(python: Path, extra: str) -> None:
    command = [
        str(python),
        "-m",
        "pip",
        "install",
        "--disable-pip-version-check",
        "--quiet",
        "-e",
        f".[{extra}]",
    ]
    done = subprocess.run(command, cwd=ROOT, stderr=subprocess.PIPE, text=True, check=False)
    if done.returncode == 0:
        return
    sys.stderr.write(done.stderr[-4000:])
    offline = (
        "NewConnectionError",
        "Temporary failure",
        "Name or service",
        "getaddrinfo",
        "timed out",
        "ConnectTimeout",
    )
    if any(word in done.stderr for word in offline):
        stop("The packages could not be downloaded. Connect to a network, then run this again.")
    stop("The project could not be installed; pip's reason is above. Fix it, then run this again.")


def _fingerprint(extra: str) -> str:
    """Return a hash that changes when the project's requirements or the interpreter change."""
    text = (ROOT / "pyproject.toml").read_bytes() + extra.encode() + sys.version.encode()
    return hashlib.sha256(text).hexdigest()


def say(text: str) -> None:
    """Print a line for people on standard error; standard output is for results."""
    print(text, file=sys.stderr, flush=True)


def stop(text: str) -> None:
    """Print one line and end the process with status 2."""
    say(text)
    raise SystemExit(2)
