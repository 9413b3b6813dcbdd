"""What an office can watch of an archive, as Prometheus metrics.

Read when they are asked for. A part that cannot be read is left out, and `evidence_part_readable` says which.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime

from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from evidence.archive.custody_key import kept_id
from evidence.archive.heads import newest_head
from evidence.board.monitoring.limited import WAIT_S, LimitedChecks
from evidence.disk.durable import free_bytes
from evidence.errors import CustodyError
from evidence.filing.custody_heads import heads_folder
from evidence.office.target_list import TargetState, named_places
from evidence.workspace import Workspace

KEPT_S = 10.0
"""Seconds for which what was read is given again: several who ask cost as much as one."""

log = logging.getLogger(__name__)


class ArchiveMetrics(Collector):
    """Reads the archive's numbers. Labels are states and the names of backup targets, nothing else."""

    def __init__(
        self, workspace: Workspace, *, clock: Callable[[], float] = time.monotonic, wait_s: float = WAIT_S
    ) -> None:
        self._workspace, self._clock = workspace, clock
        self._lock = threading.Lock()
        self._kept: tuple[float, list[Metric]] | None = None
        self._checks = LimitedChecks[list[Metric]](wait_s=wait_s)

    def close(self) -> None:
        """Read nothing more."""
        self._checks.close()

    def describe(self) -> list[Metric]:
        """Nothing is read when the metrics are registered (prometheus_client)."""
        return []

    def collect(self) -> list[Metric]:
        """The metrics (prometheus_client)."""
        with self._lock:
            now = self._clock()
            if self._kept is None or now - self._kept[0] >= KEPT_S:
                self._kept = now, self._read()
            return self._kept[1]

    def _read(self) -> list[Metric]:
        found: list[Metric] = []
        readable = GaugeMetricFamily(
            "evidence_part_readable", "1 when this part of the metrics could be read.", labels=("part",)
        )
        parts: dict[str, Callable[[], list[Metric]]] = {
            "catalog": lambda: list(self._catalog()),
            "places": lambda: list(self._places()),
            "disk": lambda: list(self._disk()),
            "log": lambda: list(self._log()),
        }
        for part, metrics in self._checks.run(parts).items():
            if isinstance(metrics, Exception):
                log.warning("metrics_part_failed part=%s error=%s", part, type(metrics).__name__)
            else:
                found += metrics
            readable.add_metric((part,), int(not isinstance(metrics, Exception)))
        return [*found, readable]

    def _catalog(self) -> Iterator[Metric]:
        gauges = self._workspace.catalog.gauges
        yield _gauge(
            "evidence_intakes",
            "Cards by what the last run of each came to.",
            ("result",),
            (((name,), many) for name, many in gauges.intakes().items()),
        )
        yield _gauge(
            "evidence_photos",
            "Files that are kept, by state.",
            ("state",),
            (((name,), many) for name, many in gauges.photos().items()),
        )
        yield _gauge(
            "evidence_claims",
            "Claims by state.",
            ("state",),
            (((name,), many) for name, many in gauges.claims().items()),
        )
        yield _single(
            "evidence_files_waiting_for_analysis",
            "Files of unfinished intakes that were not analysed yet.",
            gauges.waiting_for_analysis(),
        )
        yield _single(
            "evidence_bags_outdated",
            "Bags that are to be built again.",
            len(self._workspace.catalog.keeping.dirty()),
        )

    def _places(self) -> Iterator[Metric]:
        places = named_places(self._workspace)
        names = ("target",)
        yield _gauge(
            "evidence_copies",
            "Copies that were read back and matched, and bad ones, by place.",
            ("target", "state"),
            (
                ((one.name, state), many)
                for one in places
                for state, many in (("good", one.held.copies), ("bad", one.held.bad))
            ),
        )
        yield _gauge(
            "evidence_copies_bytes",
            "Bytes of the good copies, by place.",
            names,
            (((one.name,), one.held.octets) for one in places),
        )
        yield _gauge(
            "evidence_oldest_read_back_timestamp_seconds",
            "When the copy that was read back longest ago was read, by place.",
            names,
            _times((one.name, one.held.oldest_read) for one in places),
        )
        yield _gauge(
            "evidence_last_read_back_timestamp_seconds",
            "When a copy was read back last, by place.",
            names,
            _times((one.name, one.held.newest_read) for one in places),
        )
        yield _gauge(
            "evidence_target_connected",
            "1 when the place can be used now.",
            names,
            (((one.name,), int(one.state is TargetState.READY)) for one in places),
        )
        yield _gauge(
            "evidence_target_free_bytes",
            "Bytes free there; missing while it cannot be told.",
            names,
            (((one.name,), one.free) for one in places if one.free is not None),
        )

    def _disk(self) -> Iterator[Metric]:
        yield _single(
            "evidence_free_bytes", "Bytes free on the archive's disk.", free_bytes(self._workspace.root)
        )

    def _log(self) -> Iterator[Metric]:
        custody = self._workspace.custody
        try:
            length, whole = custody.head().seq, 1
        except CustodyError:
            length, whole = 0, 0
        yield _single("evidence_custody_head_present", "1 when the custody log has its head file.", whole)
        yield _single("evidence_custody_entries", "Entries of the custody log.", length)
        archive = kept_id(self._workspace.root)
        newest = newest_head(heads_folder(self._workspace), archive) if archive else None
        if newest:
            yield _single(
                "evidence_custody_signed_entries", "Entries up to the last signed head.", newest.head.size
            )
            yield _single(
                "evidence_custody_signed_timestamp_seconds",
                "When the last head was signed.",
                datetime.fromisoformat(newest.head.time).timestamp(),
            )


def _times(found: Iterable[tuple[str, datetime | None]]) -> Iterator[tuple[tuple[str, ...], float]]:
    return (((name,), at.timestamp()) for name, at in found if at is not None)


def _gauge(
    name: str, words: str, labels: tuple[str, ...], rows: Iterable[tuple[tuple[str, ...], float]]
) -> Metric:
    metric = GaugeMetricFamily(name, words, labels=labels)
    for values, number in rows:
        metric.add_metric(values, number)
    return metric


def _single(name: str, words: str, number: float) -> Metric:
    return GaugeMetricFamily(name, words, value=number)
