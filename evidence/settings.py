"""The settings: the archive's `evidence.toml` over the program's defaults, checked once at the start."""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from evidence.toml_files import TomlFile


def _folded(by_peril: dict[str, str]) -> dict[str, str]:
    return {peril.casefold(): name for peril, name in by_peril.items()}


class _SettingsTable(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


MINUTES_OFF = 100 * 366 * 24 * 60.0
"""A century: more than any camera's clock can be wrong, and within the range of dates."""
MOST_SECONDS = 30 * 24 * 3600.0
"""A month: longer than any wait in this program."""
ARCHIVE_PLACE = "archive"
"""The name of the archive itself among the places of copies; no backup target may have it."""
Share = Annotated[float, Field(ge=0, le=1)]


class IntakeSettings(_SettingsTable):
    """How the intake works."""

    workers: Annotated[int, Field(ge=0, le=256)]
    look_timeout_s: Annotated[float, Field(gt=0, le=MOST_SECONDS)]
    picture_memory_mb: Annotated[int, Field(ge=100, le=1_000_000)]
    read_writing: bool
    scene_kinds: bool
    litter: tuple[str, ...]


class SafetySettings(_SettingsTable):
    """When a card may be erased (rule 4)."""

    places: Annotated[int, Field(ge=1)]
    off_computer: Annotated[int, Field(ge=1)]
    read_back_days: Annotated[int, Field(ge=1, le=3660)]


class TargetSettings(_SettingsTable):
    """One backup target."""

    name: Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[A-Za-z0-9][A-Za-z0-9 _.-]*$")]
    kind: Literal["folder"] = "folder"
    path: Path
    off_computer: bool = False


class DiskSettings(_SettingsTable):
    """How disks are read and written."""

    at_once: Annotated[int, Field(ge=1, le=64)]
    """Files at the same time."""


class SplitSettings(_SettingsTable):
    """How a day is cut into claims."""

    sheet_at: Literal["start", "end", "detect"]
    confirm_below: Share


class ClockSettings(_SettingsTable):
    """A camera whose clock is known to be wrong."""

    device: Annotated[str, Field(min_length=1)]
    minutes_fast: Annotated[float, Field(ge=-MINUTES_OFF, le=MINUTES_OFF)]
    reason: str = "stated in the settings"


class CoverageSettings(_SettingsTable):
    """The list for each claim, and how strict the check is."""

    default_list: str
    guess_level: Share
    double_bits: Annotated[int, Field(ge=0, le=64)]
    used_before_bits: Annotated[int, Field(ge=0, le=20)]
    used_before_turned: bool
    lot_m: Annotated[float, Field(gt=0)]
    by_peril: Annotated[dict[str, str], AfterValidator(_folded)]
    """Keys in lower case: a peril is the same however it is written."""


class WatchSettings(_SettingsTable):
    """When a new card is ready."""

    settle_s: Annotated[float, Field(ge=0, le=MOST_SECONDS)]


class CatalogSettings(_SettingsTable):
    """Where the catalog is stored."""

    url: str


class ReviewSettings(_SettingsTable):
    """How guesses are confirmed."""

    confirm_level: Share


class OfficeSettings(_SettingsTable):
    """What the photo report prints of the office."""

    name: Annotated[str, Field(max_length=80)]
    logo: str
    """A picture file, in the archive or with its whole path; empty for none."""


class BoardSettings(_SettingsTable):
    """The review page."""

    port: Annotated[int, Field(ge=0, le=65535)]
    session_hours: Annotated[float, Field(gt=0, le=MOST_SECONDS / 3600)]
    tile_cache_mb: Annotated[int, Field(ge=50, le=10_000_000)]


class PurgeSettings(_SettingsTable):
    """How long the steps of a purge take."""

    quarantine_days: Annotated[int, Field(ge=0, le=3660)]
    """Days in which a purge can be taken back; 0 deletes at once."""
    approval_days: Annotated[int, Field(ge=1, le=3660)]


class EmailSettings(_SettingsTable):
    """The server and addresses of messages by e-mail."""

    server: str
    """Empty for no e-mail."""
    port: Annotated[int, Field(ge=1, le=65535)]
    security: Literal["starttls", "tls"]
    sender: str
    to: tuple[str, ...]
    user: str
    """Empty for a server that asks for no password."""
    password_file: str
    """Empty: the password is in the keyring of this user."""


class TellSettings(_SettingsTable):
    """Who receives the result of a card, and how."""

    desktop: bool
    webhook: str
    """Empty for none."""
    email: EmailSettings


class Settings(_SettingsTable):
    """Everything that an office may set."""

    intake: IntakeSettings
    safety: SafetySettings
    disk: DiskSettings
    target: tuple[TargetSettings, ...] = ()
    split: SplitSettings
    clock: tuple[ClockSettings, ...] = ()
    coverage: CoverageSettings
    watch: WatchSettings
    catalog: CatalogSettings
    review: ReviewSettings
    office: OfficeSettings
    board: BoardSettings
    purge: PurgeSettings
    tell: TellSettings


def load_settings(text: str, *, origin: str = "evidence.toml") -> Settings:
    """The program's defaults with `text` over them.

    `origin` names the file in errors. Raises BadInputError with the line and the key that is wrong and,
    for a misspelt key, the nearest right one.
    """
    file = TomlFile(text, origin)
    settings = file.read(Settings, _over(_shipped(), file.data))
    _refuse_contradictions(settings, file)
    return settings


@functools.cache
def _shipped() -> Mapping[str, Any]:
    """The program's own settings, which are not changed."""
    return tomllib.loads(default_text("evidence.toml"))


def _refuse_contradictions(settings: Settings, file: TomlFile) -> None:
    """Raise BadInputError for values that are valid alone but contradict each other."""
    names: set[str] = set()
    for number, target in enumerate(settings.target):
        place = ("target", number)
        name = target.name.casefold()
        if name in names:
            file.refuse(
                (*place, "name"),
                f"a second backup target '{target.name}'",
                "Give each [[target]] its own name.",
            )
        names.add(name)
        if name == ARCHIVE_PLACE:
            file.refuse(
                (*place, "name"),
                f"no backup target may be called '{target.name}'",
                "Give it another name.",
            )
        if not target.path.is_absolute():
            file.refuse(
                (*place, "path"),
                f"the path of backup target '{target.name}' is not absolute",
                "Write the whole path, from the root of the disk.",
            )
    _refuse_half_told(settings.tell, file)
    safety = settings.safety
    if safety.off_computer > safety.places:
        file.refuse(
            ("safety", "off_computer"),
            f"[safety] asks for {safety.off_computer} places off this computer out of {safety.places}",
            "Raise places, or lower off_computer.",
        )


def _refuse_half_told(tell: TellSettings, file: TomlFile) -> None:
    """Raise BadInputError for messages that could not be sent, or would be sent without encryption."""
    if tell.webhook and not tell.webhook.startswith("https://"):
        file.refuse(
            ("tell", "webhook"),
            "the address of the webhook does not begin with https://",
            "Use an HTTPS address.",
        )
    email = tell.email
    if email.server and not (email.sender and email.to):
        file.refuse(
            ("tell", "email", "server"),
            "[tell.email] names a server, but no sender or nobody to write to",
            'Add sender = "..." and to = ["..."].',
        )


def _over(base: Mapping[str, Any], own: Mapping[str, Any]) -> dict[str, Any]:
    out = dict(base)
    for key, value in own.items():
        below = out.get(key)
        out[key] = _over(below, value) if isinstance(below, dict) and isinstance(value, dict) else value
    return out


@functools.cache
def default_text(name: str) -> str:
    """The text of a default file from `config/`, for instance `tags.toml` or `required_shots/hail_roof.toml`.

    Raises FileNotFoundError when the program has no such default.
    """
    return (_config_root() / name).read_text(encoding="utf-8")


@functools.cache
def default_names(folder: str) -> tuple[str, ...]:
    """Names of the TOML defaults in a folder of `config/`, sorted, with their ending."""
    return tuple(sorted(p.name for p in (_config_root() / folder).iterdir() if p.suffix == ".toml"))


def default_path(name: str) -> Path:
    """The path of a default file, for data that a library must open itself."""
    return _config_root() / name


@functools.cache
def _config_root() -> Path:
    """`evidence/_config` in an installed wheel, `config/` beside the package in a checkout."""
    package = Path(str(resources.files("evidence")))
    inside = package / "_config"
    return inside if inside.is_dir() else package.parent / "config"
