"""Several files at once: results in order, bounded memory, the first failure in its turn."""

from __future__ import annotations

import threading

import pytest

from evidence.disk.parallel import in_parallel


@pytest.mark.parametrize("at_once", [1, 3])
def test_results_come_in_the_order_of_the_items(at_once):
    assert list(in_parallel(lambda n: n * n, range(20), at_once=at_once)) == [n * n for n in range(20)]


@pytest.mark.parametrize("items", [[], [7]])
def test_a_single_item_is_worked_on_without_another_thread(items):
    here = threading.current_thread()
    assert list(in_parallel(lambda n: (n, threading.current_thread()), items)) == [(n, here) for n in items]


def test_as_many_run_together_as_asked_and_few_wait():
    met = threading.Barrier(3, timeout=30)  # breaks unless three run at the same time
    begun = []

    def work(number: int) -> int:
        begun.append(number)
        if number < 3:
            met.wait()
        return number

    results = in_parallel(work, range(100), at_once=3)
    assert next(results) == 0
    assert len(begun) <= 6, "no more is begun than the limit allows: results would pile up in memory"
    assert list(results) == list(range(1, 100))


def test_a_failure_is_raised_in_its_turn_and_nothing_runs_on_after_it():
    begun = []

    def work(number: int) -> int:
        begun.append(number)
        if number == 4:
            raise OSError(5, "bad sector")
        return number

    results = in_parallel(work, range(1000), at_once=2)
    assert [next(results) for _ in range(4)] == [0, 1, 2, 3]
    with pytest.raises(OSError, match="bad sector"):
        next(results)
    assert len(begun) < 20
