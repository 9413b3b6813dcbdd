"""What is said while a card is copied: speed, time left, a reader that does not answer."""

from __future__ import annotations

from evidence.intake.copy_speed import ANALYSING, COPYING, CopySpeed, stalls_noticed
from evidence.progress import quiet


class Copying:
    def __init__(self, sizes):
        self.now, self.lines = 0.0, []
        self.speed = CopySpeed("CARD", sizes, quiet, self.lines.append, clock=lambda: self.now)

    def done(self, second, number, total):
        self.now = second
        self.speed(COPYING, number, total)


def test_the_speed_and_the_time_left_are_those_of_the_bytes_copied():
    card = Copying([20_000_000, 20_000_000, 160_000_000])
    card.done(0, 0, 3)
    card.done(4, 1, 3)
    card.done(10, 2, 3)  # 40 MB in 10 s; 160 MB are left: 40 s
    assert card.lines == [
        "CARD: copying 3 files.",
        "CARD: copied 2 of 3 files, 4.0 MB/s, 40 s left.",
    ]


def test_a_reader_that_does_not_answer_is_named_once_and_again_when_it_answers():
    card = Copying([1_000, 1_000])
    card.done(0, 0, 2)
    card.now = 44
    card.speed.check()
    assert len(card.lines) == 1
    card.now = 46
    card.speed.check()
    card.speed.check()
    assert card.lines[1].startswith("CARD: the reader has not answered for 46 s.")
    card.done(60, 1, 2)
    assert card.lines[2] == "CARD: the reader answers again; the copying continues."


def test_a_large_file_may_take_longer_and_a_sleep_is_no_fault_of_the_reader():
    card = Copying([4_000_000_000])
    card.done(0, 0, 1)
    card.now = 600
    card.speed.check()
    assert len(card.lines) == 1
    small = Copying([10])
    small.done(0, 0, 1)
    small.now = 9000
    small.speed.slept()
    small.speed.check()
    assert len(small.lines) == 1


def test_photos_that_are_looked_at_meanwhile_do_not_stand_for_a_reader_that_answers():
    card = Copying([1_000, 1_000])
    card.done(0, 0, 2)
    for second in (10, 30, 50):
        card.now = second
        card.speed(ANALYSING, 1, 2)
        card.speed.check()
    card.done(60, 2, 2)
    assert [line.partition(": ")[2].split(".")[0] for line in card.lines] == [
        "copying 2 files",
        "analysing 2 new photos",
        "the reader has not answered for 50 s",
        "the reader answers again; the copying continues",
    ]


def test_the_checks_end_with_the_copying():
    with stalls_noticed(Copying([1]).speed):
        pass
