"""Tasks that crash, hang or raise are reported; every other task gives its result exactly once."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import textwrap
import time
from collections import Counter
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor
from pathlib import Path

import psutil
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support_looks import failing_look, make_a_folder, process_id

from evidence.model import MediaKind
from evidence.sight import batch
from evidence.sight.batch import LookProcess
from evidence.sight.request import LookRequest
from evidence.sight.workers import Failed, Fault, Tasks, process_pool


class ScriptedPool(Executor):
    """A pool in this process whose tasks do what the item says: `x` breaks it, `r` raises, the rest works.

    Breaking the pool breaks all tasks that are running, as in real pools.
    """

    broken = False

    def __init__(self, made):
        made.append(self)
        self.out = []

    def submit(self, task, item):
        if self.broken:
            raise BrokenExecutor("broken before")
        future = Future()
        future.set_running_or_notify_cancel()
        self.out.append(future)
        kind = item[0]
        if kind == "x":
            self.broken = True
            for other in self.out:
                if not other.done():
                    other.set_exception(BrokenExecutor("a process died"))
        elif kind == "l":
            pass  # stays out until a later task breaks the pool or ends
        elif kind == "r":
            future.set_exception(ValueError("no"))
        else:
            for other in self.out:
                if not other.done():
                    other.set_result("done")
        return future

    def shutdown(self, wait=True, *, cancel_futures=False):
        self.broken = True


def results(items, task=None, **how):
    with Tasks(task, **how) as tasks:
        for item in items:
            tasks.add(item)
        yield from tasks.rest()


@settings(deadline=None, max_examples=200)
@given(st.lists(st.sampled_from("okxr"), max_size=12), st.integers(1, 4), st.booleans())
def test_every_item_is_reported_once_and_only_failing_items_fail(script, at_once, rent):
    made = []
    items = [(kind, n) for n, kind in enumerate(script)]
    rented = ScriptedPool([]) if rent else None
    told = list(
        results(items, make_pool=lambda: ScriptedPool(made), executor=rented, at_once=at_once, timeout_s=5)
    )
    assert Counter(item for item, _ in told) == Counter(items)
    for (kind, _), result in told:
        if kind == "x":
            assert result == Failed(fault=Fault.CRASHED)
        elif kind == "r":
            assert result == Failed(fault=Fault.RAISED, detail="ValueError: no")
        else:
            assert result == "done"


def test_a_hanging_task_in_a_callers_executor_is_abandoned_and_the_executor_kept():
    import threading

    release = threading.Event()
    with ThreadPoolExecutor(2) as pool:
        told = dict(
            results(
                range(5),
                lambda n: release.wait(30) if n == 1 else n,
                make_pool=lambda: pytest.fail("no pool of our own is needed"),
                executor=pool,
                at_once=2,
                timeout_s=0.3,
            )
        )
        release.set()
        assert pool.submit(int).result() == 0
    assert told[1].fault is Fault.TIMED_OUT
    assert {n: r for n, r in told.items() if n != 1} == {0: 0, 2: 2, 3: 3, 4: 4}


def parent_script(folder, then):
    """A program that prints the number of its worker process, then runs one more statement."""
    script = folder / "parent.py"
    script.write_text(
        textwrap.dedent(
            f"""
            import time, sys
            sys.path[:0] = {[str(Path(__file__).parents[1] / "support"), str(Path(__file__).parents[2])]!r}
            from evidence.sight.workers import process_pool
            from support_looks import process_id
            if __name__ == "__main__":
                pool = process_pool(1, preload="support_looks")
                print(pool.submit(process_id, 0).result(), flush=True)
                {then}
            """
        )
    )
    return script


def _zombie(pid):
    with contextlib.suppress(psutil.NoSuchProcess):
        return psutil.Process(pid).status() == psutil.STATUS_ZOMBIE
    return False


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="this system has no SIGKILL")
def test_processes_end_when_their_parent_is_killed(tmp_path):
    script = parent_script(tmp_path, "time.sleep(600)")
    parent = subprocess.Popen([sys.executable, script], stdout=subprocess.PIPE, text=True)
    try:
        child = psutil.Process(int(parent.stdout.readline()))
    finally:
        parent.kill()
        parent.wait()
        parent.stdout.close()
    until = time.monotonic() + 20
    with contextlib.suppress(psutil.NoSuchProcess):
        child.wait(max(0.0, until - time.monotonic()))
    assert not child.is_running() or child.status() == psutil.STATUS_ZOMBIE


def test_one_process_looks_at_single_photos_and_is_replaced_when_a_photo_ends_it(tmp_path, monkeypatch):
    monkeypatch.setattr(batch, "_look", failing_look)
    process = LookProcess(timeout_s=5)
    try:
        ways = {}
        for name in ("first.jpg", "kills.jpg", "raises.jpg", "last.jpg"):
            path = tmp_path / name
            path.write_bytes(b"no picture")
            ways[name] = process.look(LookRequest(path=path, sha256="0" * 64, kind=MediaKind.PHOTO))
    finally:
        process.close()
    codes = {name: [flag.code for flag in seen.flags] for name, seen in ways.items()}
    assert codes == {
        "first.jpg": ["undecodable"],
        "kills.jpg": ["look_crashed"],
        "raises.jpg": ["look_failed"],
        "last.jpg": ["undecodable"],
    }


def test_tasks_that_are_added_one_by_one_are_told_while_others_run():
    with Tasks(len, make_pool=lambda: ThreadPoolExecutor(1), at_once=1, timeout_s=30) as tasks:
        assert list(tasks.finished()) == []
        tasks.add("ab")
        tasks.add("abc")
        assert sorted(tasks.rest()) == [("ab", 2), ("abc", 3)]
        tasks.add("")
        assert list(tasks.rest()) == [("", 0)]
        assert tasks.hungry


def test_tasks_that_nobody_waits_for_are_given_up_and_leave_no_process_behind():
    with Tasks(
        process_id, make_pool=lambda: process_pool(2, preload="support_looks"), at_once=2, timeout_s=60
    ) as tasks:
        for number in range(40):
            tasks.add(number)
        _, pid = next(tasks.rest())
    assert not psutil.pid_exists(pid) or _zombie(pid)


def test_a_pool_that_cannot_be_made_is_an_error_of_the_caller():
    def fails():
        raise OSError("no more processes")

    with Tasks(len, make_pool=fails, at_once=1, timeout_s=5) as tasks:
        tasks.add("a")
        with pytest.raises(OSError, match="no more processes"):
            list(tasks.rest())
        tasks.add("b")


def test_a_long_temporary_folder_does_not_stop_the_processes(tmp_path):
    long = tmp_path / ("x" * 100)
    long.mkdir()
    script = parent_script(tmp_path, "pool.shutdown()")
    run = subprocess.run(
        [sys.executable, script],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "TMPDIR": str(long)},
    )
    assert (run.returncode, run.stdout.strip().isdigit()) == (0, True), run.stderr


@pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")
def test_what_a_process_writes_is_not_for_others_whatever_umask_the_fork_server_was_started_with(tmp_path):
    before = os.umask(0o022)
    try:
        with process_pool(1, preload="support_looks") as pool:
            pool.submit(make_a_folder, tmp_path / "made").result()
    finally:
        os.umask(before)
    assert (tmp_path / "made").stat().st_mode & 0o777 == 0o750
