"""What stations owe, in words: one sentence for each station."""

from __future__ import annotations

from evidence.filing.station_debts import OwedPart, by_station
from evidence.model import ClaimId


def part(claim, station, *, here=False, held_by=""):
    return OwedPart(claim=ClaimId(claim), station=station, here=here, since="2026-11-26", held_by=held_by)


def test_the_parts_of_a_station_are_one_sentence_and_this_station_comes_first():
    parts = [
        part("HL-1", "alder"),
        part("HL-1", "birch", here=True, held_by="hold 3"),
        part("HL-2", "alder", held_by="hold 4"),
    ]
    assert [(one.words, one.here, one.held) for one in by_station(parts)] == [
        (
            "This station is still to remove its part of the purged claim HL-1, since 2026-11-26; hold 3 keeps it",
            True,
            True,
        ),
        (
            "The station alder is still to remove its part of 2 purged claims, since 2026-11-26; holds keep 1 of them",
            False,
            False,
        ),
    ]
    assert by_station([]) == []
