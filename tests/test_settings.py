"""Settings: the defaults hold, every bad value is one line that names its key, contradictions are refused at the start."""

from __future__ import annotations

import re
import tomllib

import pytest
from support_cli import cli, make_archive

from evidence.errors import BadInputError
from evidence.settings import Settings, default_text, load_settings

TARGET = "[[target]]\nname = 'office'\npath = '/mnt/office'\n"


def refusal(text: str) -> str:
    with pytest.raises(BadInputError) as caught:
        load_settings(text)
    assert "\n" not in str(caught.value)
    assert caught.value.exit_code == 2
    return str(caught.value)


def test_an_empty_file_gives_the_programs_defaults():
    settings = load_settings("")
    assert settings.safety.places == 2
    assert settings.target == ()


def test_a_value_of_the_office_stands_over_the_default_and_the_rest_stays():
    settings = load_settings("[split]\nconfirm_below = 0.5\n")
    assert settings.split.confirm_below == 0.5
    assert settings.split.sheet_at == "detect"


BAD = [
    ("[tell]\ndesktop = 'yes'", "tell.desktop"),
    ("[tell]\nwebhook = 3", "tell.webhook"),
    ("[tell]\nemail = 3", "tell.email"),
    ("[intake]\nworkers = -1", "intake.workers"),
    ("[intake]\nworkers = 1000", "intake.workers"),
    ("[intake]\nworkers = 'two'", "intake.workers"),
    ("[intake]\nlook_timeout_s = 0", "intake.look_timeout_s"),
    ("[intake]\nlook_timeout_s = inf", "intake.look_timeout_s"),
    ("[intake]\npicture_memory_mb = 10", "intake.picture_memory_mb"),
    ("[intake]\nread_writing = 'perhaps'", "intake.read_writing"),
    ("[intake]\nscene_kinds = 7", "intake.scene_kinds"),
    ("[intake]\nlitter = 'x'", "intake.litter"),
    ("intake = 3", "intake"),
    ("[disk]\nat_once = 0", "disk.at_once"),
    ("[safety]\nplaces = 0", "safety.places"),
    ("[safety]\noff_computer = 0", "safety.off_computer"),
    ("[safety]\nread_back_days = 0", "safety.read_back_days"),
    ("[safety]\nplaces = 1.5", "safety.places"),
    ("[split]\nsheet_at = 'middle'", "split.sheet_at"),
    ("[split]\nconfirm_below = 1.2", "split.confirm_below"),
    ("[split]\nconfirm_below = nan", "split.confirm_below"),
    ("[[clock]]\ndevice = ''\nminutes_fast = 1", "clock.0.device"),
    ("[[clock]]\ndevice = 'T-1'\nminutes_fast = inf", "clock.0.minutes_fast"),
    ("[[clock]]\ndevice = 'T-1'\nminutes_fast = 1e12", "clock.0.minutes_fast"),
    ("[[clock]]\nminutes_fast = 1", "clock.0.device"),
    ("[coverage]\nguess_level = -0.1", "coverage.guess_level"),
    ("[coverage]\ndouble_bits = 65", "coverage.double_bits"),
    ("[coverage]\nused_before_bits = 21", "coverage.used_before_bits"),
    ("[coverage]\nused_before_turned = 1", "coverage.used_before_turned"),
    ("[coverage]\nlot_m = inf", "coverage.lot_m"),
    ("[coverage.by_peril]\nhail = 3", "coverage.by_peril.hail"),
    ("[watch]\nsettle_s = -1", "watch.settle_s"),
    ("[watch]\nsettle_s = inf", "watch.settle_s"),
    ("[catalog]\nurl = 5", "catalog.url"),
    ("[review]\nconfirm_level = 2", "review.confirm_level"),
    ("[office]\nname = 3", "office.name"),
    ("[office]\nlogo = false", "office.logo"),
    ("[board]\nport = 70000", "board.port"),
    ("[board]\nsession_hours = 0", "board.session_hours"),
    ("[board]\ntile_cache_mb = 10", "board.tile_cache_mb"),
    ("[purge]\nquarantine_days = -1", "purge.quarantine_days"),
    ("[purge]\napproval_days = 0", "purge.approval_days"),
    (TARGET.replace("office'", "off/ice'", 1), "target.0.name"),
    (TARGET.replace("'office'", "''", 1), "target.0.name"),
    (TARGET + "kind = 'cloud'", "target.0.kind"),
    ("[target]\nname = 'office'", "target"),
]


@pytest.mark.parametrize(("text", "key"), BAD, ids=[key for _, key in BAD])
def test_a_bad_value_is_reported_with_its_key(text, key):
    said = refusal(text)
    name = key.rpartition(".")[2]
    line = next(n for n, one in enumerate(text.splitlines(), 1) if name in one) if name in text else 1
    assert f"line {line}: '{name}'" in said


def test_every_key_has_a_bad_value_above():
    tried = {re.sub(r"\.\d+", "", key) for _, key in BAD}
    keys = set()
    for room, part in Settings.model_fields.items():
        inner = next(
            (
                a
                for a in (part.annotation, *getattr(part.annotation, "__args__", ()))
                if hasattr(a, "model_fields")
            ),
            None,
        )
        keys |= {f"{room}.{name}" for name in inner.model_fields}
    free = {
        "target.path",
        "target.off_computer",
        "clock.reason",
        "coverage.default_list",
        "coverage.by_peril",
    }
    assert keys - free <= tried


@pytest.mark.parametrize(
    ("text", "near"),
    [
        ("[safety]\nplacs = 3", "'places'"),
        ("[intke]\nworkers = 1", "'intake'"),
        (TARGET + "of_computer = true", "'off_computer'"),
        ("[[clock]]\ndevise = 'x'\nminutes_fast = 1", "'device'"),
        ("[coverage]\ndefaultlist = 'x'", "'default_list'"),
    ],
)
def test_a_misspelt_key_names_the_nearest_right_one(text, near):
    assert near in refusal(text)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        pytest.param(
            TARGET + TARGET.replace("office'", "OFFICE'", 1),
            "line 5: a second backup target",
            id="two of one name",
        ),
        pytest.param(
            TARGET.replace("'office'", "'Archive'", 1), "may be called", id="called like the archive"
        ),
        pytest.param(
            TARGET.replace("/mnt/office", "backups"),
            "line 3: the path of backup target 'office' is not absolute",
            id="a path from nowhere",
        ),
        pytest.param(
            "[safety]\nplaces = 2\noff_computer = 3",
            "line 3: [safety] asks for 3 places off this computer out of 2",
            id="more elsewhere than places",
        ),
        pytest.param("[safety\nplaces = 2", "not valid TOML", id="no TOML"),
    ],
)
def test_contradicting_values_are_refused(text, words):
    assert words in refusal(text)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        pytest.param(
            "[[target]]\nname = 'a'\npath = '{archive}/backup'\n", "inside one another", id="in the archive"
        ),
        pytest.param(
            "[[target]]\nname = 'a'\npath = '{above}'\n", "inside one another", id="around the archive"
        ),
        pytest.param(
            "[[target]]\nname = 'a'\npath = '/mnt/a'\n[[target]]\nname = 'b'\npath = '/mnt/a/b'\n",
            "inside one another",
            id="in one another",
        ),
        pytest.param("[coverage]\ndefault_list = 'hail_rof'", "'hail_roof'", id="no such list"),
        pytest.param("[coverage.by_peril]\nwind = 'wind_rof'", "'wind_roof'", id="no such list for a peril"),
        pytest.param("[catalog]\nurl = 'nonsense'", "not a database URL", id="no database URL"),
        pytest.param("[catalog]\nurl = 'mysql://x/y'", "mysql", id="an unsupported database"),
        pytest.param(
            "[catalog]\nurl = 'sqlite:////nowhere/at/all/c.sqlite'", "cannot be opened", id="no such folder"
        ),
    ],
)
def test_an_archive_with_settings_that_cannot_be_is_not_opened(tmp_path, text, words):
    archive = make_archive(tmp_path)
    named = text.replace("{archive}", archive.as_posix()).replace("{above}", archive.parent.as_posix())
    (archive / "evidence.toml").write_text(named, encoding="utf-8")
    ran = cli("claims", archive=archive)
    assert ran.status == 2
    assert words in ran.err
    assert ran.err.count("\n") == 1


def test_a_file_that_is_no_database_is_reported_in_one_line(tmp_path):
    archive = make_archive(tmp_path)
    for path in archive.glob("catalog.sqlite*"):
        path.unlink()
    (archive / "catalog.sqlite").write_bytes(b"this is no database, whatever its name says" * 40)
    ran = cli("claims", archive=archive)
    assert ran.status == 30
    assert ran.err.count("\n") == 1


def test_a_peril_means_the_same_in_any_case():
    assert (
        load_settings("[coverage.by_peril]\nTornado = 'wind_roof'\n").coverage.by_peril["tornado"]
        == "wind_roof"
    )


def test_every_key_is_documented_in_the_settings_file_with_the_programs_own_value():
    text = default_text("evidence.toml")
    shown = tomllib.loads(text)
    commented = "\n".join(line.removeprefix("#").strip() for line in text.splitlines())
    for room, part in Settings.model_fields.items():
        inner = next(
            a
            for a in (part.annotation, *getattr(part.annotation, "__args__", ()))
            if hasattr(a, "model_fields")
        )
        assert f"[{room}]" in text or f"[[{room}]]" in text
        for key in inner.model_fields:
            if (room, key) == ("target", "kind"):
                continue  # one kind so far: nothing to choose
            assert re.search(rf"^{key} = ", commented, re.MULTILINE) or key in shown[room], f"{room}.{key}"
