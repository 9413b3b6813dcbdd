"""Which cards are reported, when, and that nothing is reported twice; time and changes are passed in."""

from __future__ import annotations

import os
import shutil
import warnings
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support_cards import DCIM, a_card, lay_out

from evidence.cards.volumes import CardSource, open_source
from evidence.cards.watch import (
    CardFailed,
    CardGone,
    CardReady,
    Watcher,
    WatchEvent,
    file_changes,
    ready_now,
    watch,
)
from evidence.errors import BadInputError


class ScriptedFeed:
    """A fake feed and a fake clock: what happens at which second, and a look after each."""

    def __init__(
        self,
        folders: list[Path],
        *,
        settle: float = 10,
        mounted: Callable[[], tuple[CardSource, ...]] = tuple,
    ):
        self.now = 0.0
        self._steps: list[tuple[float, Callable[[], object]]] = []
        self._folders = folders
        self._settle = timedelta(seconds=settle)
        self._mounted = mounted

    def at(self, second: float, happens: Callable[[], object] = lambda: None) -> ScriptedFeed:
        self._steps.append((second, happens))
        return self

    def _feed(self) -> Iterator[None]:
        for second, happens in self._steps:
            happens()
            self.now = second
            yield

    def told(self) -> list[tuple[float, WatchEvent]]:
        events = watch(
            self._folders,
            feed=self._feed(),
            settle=self._settle,
            clock=lambda: self.now,
            mounted=self._mounted,
        )
        return [(self.now, event) for event in events]


@pytest.fixture
def desk(tmp_path: Path) -> Path:
    (tmp_path / "desk").mkdir()
    return (tmp_path / "desk").resolve()


def test_a_card_is_ready_once_it_has_not_changed_for_long_enough(desk):
    a_card(desk / "card")
    told = ScriptedFeed([desk]).at(0).at(9.9).at(10).at(11).at(500).told()
    assert [(second, type(event), event.path) for second, event in told] == [(10, CardReady, desk / "card")]


def test_a_card_that_is_still_being_written_is_not_ready(desk):
    photo = desk / "card" / DCIM / "IMG_0001.JPG"
    story = ScriptedFeed([desk])
    for second in range(0, 60, 5):
        story.at(second, lambda n=second: lay_out(desk, {str(photo.relative_to(desk)): b"x" * n}))
    told = story.at(64.9).at(65).told()
    assert [(second, type(event)) for second, event in told] == [(65, CardReady)]
    assert told[0][1].files == 1
    assert told[0][1].size == 55


def test_a_change_of_time_alone_counts_as_a_change(desk):
    photo = a_card(desk / "card") / DCIM / "IMG_0001.JPG"
    told = (
        ScriptedFeed([desk])
        .at(0)
        .at(5, lambda: os.utime(photo, (1_000_000_000, 1_000_000_000)))
        .at(10)
        .at(15)
        .told()
    )
    assert [second for second, _ in told] == [15]


def test_a_ready_card_that_changes_becomes_ready_again(desk):
    a_card(desk / "card")
    more = lambda: lay_out(desk, {f"card/{DCIM}/IMG_0099.JPG": b"new"})  # noqa: E731 - a step of the script
    told = ScriptedFeed([desk]).at(0).at(10).at(20, more).at(29).at(30).at(40).told()
    assert [(second, type(event)) for second, event in told] == [(10, CardReady), (30, CardReady)]


def test_a_card_pulled_out_is_gone_and_back_it_is_ready_anew(desk):
    a_card(desk / "card")
    away = lambda: (desk / "card").rename(desk.parent / "away")  # noqa: E731 - a step of the script
    back = lambda: (desk.parent / "away").rename(desk / "card")  # noqa: E731 - a step of the script
    told = ScriptedFeed([desk]).at(0).at(10).at(20, away).at(30, back).at(40).told()
    assert [(second, type(event)) for second, event in told] == [
        (10, CardReady),
        (20, CardGone),
        (40, CardReady),
    ]
    assert told[1][1] == CardGone(path=desk / "card", was_ready=True)


def test_a_card_pulled_before_it_was_ready_is_gone_without_having_been_ready(desk):
    a_card(desk / "card")
    told = ScriptedFeed([desk]).at(0).at(5, lambda: shutil.rmtree(desk / "card")).at(20).told()
    assert told == [(5, CardGone(path=desk / "card", was_ready=False))]


def test_litter_that_a_system_keeps_writing_does_not_keep_a_card_from_being_ready(desk):
    a_card(desk / "card")
    story = ScriptedFeed([desk])
    for second in range(11):
        story.at(
            second,
            lambda n=second: lay_out(desk, {"card/.fseventsd/log": b"x" * n, "card/.DS_Store": b"y" * n}),
        )
    assert [second for second, _ in story.told()] == [10]


def test_a_folder_with_dcim_or_loose_photos_is_a_card_itself_else_its_folders_are(tmp_path):
    a_card(tmp_path / "mounted")
    lay_out(tmp_path / "loose", {"a.jpg": b"x", "sub/b.jpg": b"y"})
    lay_out(
        tmp_path / "drop",
        {"one/a.jpg": b"x", "two/deep/er/b.jpg": b"y", "three/.DS_Store": b"z", ".Trashes/c.jpg": b"t"},
    )
    (tmp_path / "drop" / "empty" / "DCIM").mkdir(parents=True)
    folders = [tmp_path / name for name in ("mounted", "loose", "drop")]
    root = tmp_path.resolve()
    assert ready_now(folders, mounted=tuple) == (
        root / "drop/one",
        root / "drop/two",
        root / "loose",
        root / "mounted",
    )


def test_mounted_cards_are_watched_too_and_none_is_reported_twice(desk):
    a_card(desk / "card")
    source = open_source(desk / "card")
    told = ScriptedFeed([desk, desk / "card"], mounted=lambda: (source,)).at(0).at(10).told()
    assert [event.path for _, event in told] == [desk / "card"]
    assert ready_now([], mounted=lambda: (source,)) == (desk / "card",)


def test_a_card_that_cannot_be_listed_fails_once_and_is_ready_when_it_can(desk, monkeypatch):
    a_card(desk / "card")
    real = os.open
    locked = []

    def maybe(path, flags, *more, **named):
        if locked and str(path).endswith("card"):
            raise PermissionError(13, "Permission denied", str(path))
        return real(path, flags, *more, **named)

    monkeypatch.setattr(os, "open", maybe)
    told = (
        ScriptedFeed([desk]).at(0, lambda: locked.append(1)).at(5).at(20).at(30, locked.clear).at(40).told()
    )
    assert [(second, type(event)) for second, event in told] == [(0, CardFailed), (40, CardReady)]
    assert "permission denied" in told[0][1].reason


@pytest.mark.skipif(os.name == "nt", reason="links need a privilege on Windows")
def test_links_are_neither_cards_nor_followed(desk, tmp_path):
    a_card(tmp_path / "elsewhere")
    (desk / "link").symlink_to(tmp_path / "elsewhere")
    (desk / "loop").symlink_to(desk)
    assert ready_now([desk], mounted=tuple) == ()


@pytest.mark.parametrize(("name", "says"), [("none", "no folder"), ("file", "is a file")])
def test_a_folder_that_cannot_be_watched_is_reported_in_one_line(tmp_path, name, says):
    lay_out(tmp_path, {"file": b"x"})
    for look in (
        lambda: ready_now([tmp_path / name], mounted=tuple),
        lambda: next(watch([tmp_path / name], feed=[1])),
    ):
        with pytest.raises(BadInputError, match=says) as caught:
            look()
        assert "\n" not in str(caught.value)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(1, 15), st.sampled_from(["wait", "write", "more", "remove"])),
        min_size=1,
        max_size=12,
    )
)
def test_nothing_is_ready_before_its_time_nor_twice_without_a_change(tmp_path_factory, steps):
    desk = tmp_path_factory.mktemp("desk").resolve()
    watcher = Watcher([desk], settle=timedelta(seconds=10), mounted=tuple)
    now = changed = 0.0
    due = False
    for number, (wait, what) in enumerate(steps):
        now += wait
        there = (desk / "card").exists()
        if what == "remove" and there:
            shutil.rmtree(desk / "card")
            assert [type(e) for e in watcher.look(now)] == [CardGone]
            due = False
            continue
        if what in {"write", "more"}:
            lay_out(desk, {f"card/{'a' if what == 'write' else number}.jpg": b"x" * (number + 1)})
            changed, due = now, True
        events = watcher.look(now)
        if due and now - changed >= 10:
            assert [type(e) for e in events] == [CardReady]
            due = False
        else:
            assert events == []


def test_the_real_watcher_yields_at_once_and_stops_when_closed(tmp_path):
    changes = file_changes([tmp_path], tick=0.01)
    assert [next(changes) for _ in range(3)] == [None] * 3
    changes.close()


@pytest.mark.timeout(60)
def test_the_real_watcher_notices_a_new_file(tmp_path):
    changes = file_changes(
        [tmp_path], tick=3_600.0
    )  # far beyond the test's own limit: only a notification can end it
    next(changes)
    lay_out(tmp_path, {"a.jpg": b"x"})
    next(changes)
    changes.close()


def test_the_library_that_reports_changes_warns_nobody_on_the_terminal(tmp_path):
    """It warns, in many lines, of a folder that is moved away and back."""
    changes = file_changes([tmp_path], tick=0.01)
    with warnings.catch_warnings(record=True) as told:
        warnings.simplefilter("default")
        next(changes)
        warnings.warn_explicit("seen", RuntimeWarning, "inotify.py", 1, module="watchdog.observers.inotify")
        warnings.warn_explicit("another", RuntimeWarning, "x.py", 1, module="x")
    changes.close()
    assert [str(one.message) for one in told] == ["another"]
