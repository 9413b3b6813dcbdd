"""The settings: defaults of the program, the archive's own TOML over them, checked once at the start."""

from __future__ import annotations

from importlib import resources
from pathlib import Path


def default_text(name: str) -> str:
    """The text of a default from `config/`, for instance `tags.toml` or `required_shots/hail_roof.toml`.

    Raises FileNotFoundError when the program ships no such default.
    """
    return (_config_root() / name).read_text(encoding="utf-8")


def default_names(folder: str) -> tuple[str, ...]:
    """Names of the TOML defaults in a folder of `config/`, sorted, with their ending."""
    return tuple(sorted(p.name for p in (_config_root() / folder).iterdir() if p.suffix == ".toml"))


def default_path(name: str) -> Path:
    """Where a default lies on disk; for data files that a library must open itself."""
    return _config_root() / name


def _config_root() -> Path:
    """`evidence/_config` in an installed wheel, `config/` beside the package in a checkout."""
    package = Path(str(resources.files("evidence")))
    inside = package / "_config"
    return inside if inside.is_dir() else package.parent / "config"
