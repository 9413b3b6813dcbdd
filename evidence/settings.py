"""The settings: defaults of the program, the archive's own TOML over them, checked once at the start."""

from __future__ import annotations

import difflib
import tomllib
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from evidence.errors import BadInputError


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


Share = Annotated[float, Field(ge=0, le=1)]


class IntakeSettings(_Part):
    """How a card is taken in."""

    workers: Annotated[int, Field(ge=0, le=256)]
    look_timeout_s: Annotated[float, Field(gt=0)]
    read_writing: bool
    scene_kinds: bool
    litter: tuple[str, ...]


class SafetySettings(_Part):
    """When a card may be erased (rule 4)."""

    places: Annotated[int, Field(ge=1)]
    off_computer: Annotated[int, Field(ge=1)]


class TargetSettings(_Part):
    """One backup target."""

    name: Annotated[str, Field(min_length=1, pattern=r"^[A-Za-z0-9][A-Za-z0-9 _.-]*$")]
    kind: Literal["folder"] = "folder"
    path: Path
    off_computer: bool = False


class SplitSettings(_Part):
    """How a day is cut into claims."""

    sheet_at: Literal["start", "end", "detect"]
    confirm_below: Share


class ClockSettings(_Part):
    """A camera whose clock is known to be off."""

    device: str
    minutes_fast: float
    reason: str = "stated in the settings"


class CoverageSettings(_Part):
    """Which list a claim is checked against, and how strictly."""

    default_list: str
    guess_level: Share
    double_bits: Annotated[int, Field(ge=0, le=64)]
    lot_m: Annotated[float, Field(gt=0)]
    by_peril: dict[str, str]


class WatchSettings(_Part):
    """When a card that appeared is ready."""

    settle_s: Annotated[float, Field(ge=0)]


class CatalogSettings(_Part):
    """Where the catalog lives."""

    url: str


class BoardSettings(_Part):
    """The review page."""

    port: Annotated[int, Field(ge=0, le=65535)]
    session_hours: Annotated[float, Field(gt=0)]


class Settings(_Part):
    """Everything an office may set, checked."""

    intake: IntakeSettings
    safety: SafetySettings
    target: tuple[TargetSettings, ...] = ()
    split: SplitSettings
    clock: tuple[ClockSettings, ...] = ()
    coverage: CoverageSettings
    watch: WatchSettings
    catalog: CatalogSettings
    board: BoardSettings


def load_settings(text: str, *, origin: str = "evidence.toml") -> Settings:
    """The program's defaults with `text` over them.

    `origin` names the file in errors. Raises BadInputError naming the key that is wrong and,
    for one that is misspelt, the nearest right one.
    """
    try:
        own = tomllib.loads(text)
    except tomllib.TOMLDecodeError as trouble:
        raise BadInputError(
            f"{origin}: not valid TOML: {trouble}.", "Mend that line, then run it again."
        ) from None
    merged = _over(tomllib.loads(default_text("evidence.toml")), own)
    try:
        settings = Settings.model_validate(merged)
    except ValidationError as trouble:
        raise _explain(trouble, origin) from None
    names = [target.name.casefold() for target in settings.target]
    if len(set(names)) != len(names):
        raise BadInputError(
            f"{origin}: two backup targets share a name.", "Give each [[target]] its own name."
        )
    return settings


def _over(base: dict[str, Any], own: dict[str, Any]) -> dict[str, Any]:
    out = dict(base)
    for key, value in own.items():
        below = out.get(key)
        out[key] = _over(below, value) if isinstance(below, dict) and isinstance(value, dict) else value
    return out


def _explain(trouble: ValidationError, origin: str) -> BadInputError:
    first = trouble.errors()[0]
    where = [str(part) for part in first["loc"]]
    key = ".".join(where)
    if first["type"] == "extra_forbidden":
        near = difflib.get_close_matches(where[-1], _keys_beside(first["loc"]), n=1, cutoff=0.4)
        hint = (
            f"Did you mean '{near[0]}'?" if near else "Delete it, or see config/evidence.toml for the keys."
        )
        return BadInputError(f"{origin}: unknown key '{key}'.", hint)
    return BadInputError(
        f"{origin}: '{key}': {first['msg']}.", "Correct that value; config/evidence.toml shows each."
    )


def _keys_beside(loc: tuple[int | str, ...]) -> list[str]:
    """The keys that would be right where the last part of `loc` stands."""
    model: type[BaseModel] = Settings
    for part in loc[:-1]:
        if isinstance(part, int):
            continue
        annotation = model.model_fields[part].annotation
        inner = [a for a in getattr(annotation, "__args__", (annotation,)) if isinstance(a, type)]
        model = next(a for a in inner if issubclass(a, BaseModel))
    return list(model.model_fields)


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
