"""Photos on a cluster: the same looks and thumbnails bit for bit, whatever fails there."""

from __future__ import annotations

import hashlib
import os
import shutil
import signal
import sys
import threading
from concurrent.futures import Future, wait
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from support_card import CardMaker
from support_cli import cli
from support_cluster import ROOT, LoopbackCluster
from support_intake import at_home, loaded_archive, small_houses
from support_seen import SeenOnce
from support_tls import self_signed

from evidence.errors import BadInputError
from evidence.model import MediaKind
from evidence.sight import look
from evidence.sight.batch import Looking, look_all
from evidence.sight.cluster import Cluster, NotDoneError, _packed, cluster_at, look_at_sent, this_program
from evidence.sight.request import LookOptions, LookRequest

PHOTOS = 12
WITH_NETWORKS = (2, 3, PHOTOS - 2)
"""Photos, counted from 0, that the networks analyse too, which takes several times as long. The first result comes from
one before them, so that photos are on their way when something is killed; the last one is cut off in its middle."""


@pytest.fixture(scope="module")
def local(tmp_path_factory):
    """Requests for a card's photos, one of them damaged, what is found here, and the folder of their thumbnails."""
    folder = tmp_path_factory.mktemp("local")
    card = CardMaker(folder / "card")
    card.sheet("TC-1001")
    card.label(1)
    for number in range(2, PHOTOS - 1):
        card.save(strip(number)) if number in WITH_NETWORKS else card.scene()
    cut = (card.root / card.written[-1]).read_bytes()
    card.put("TEST0099.JPG", cut[: len(cut) // 2])
    requests = [
        replace(request_of(card.root / path, folder / "thumbs"), options=options_of(number))
        for number, path in enumerate(card.written)
    ]
    assert len(requests) == PHOTOS
    return requests, dict(look_all(requests, workers=1, executor=SeenOnce())), folder / "thumbs"


def strip(seed):
    """A picture in which writing is searched quickly: its long side decides how long that takes."""
    return np.random.default_rng(seed).integers(0, 255, (130, 832, 3), dtype=np.uint8)


def request_of(path, thumbs):
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    return LookRequest(path=path, sha256=digest, kind=MediaKind.PHOTO, thumb_dir=thumbs)


def options_of(number):
    networks = number in WITH_NETWORKS
    return LookOptions(read_writing=networks, scene_kinds=networks)


def contents(folder):
    return {p.relative_to(folder): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.fixture(scope="module")
def _cluster(tmp_path_factory):
    with LoopbackCluster(tmp_path_factory.mktemp("cluster")) as running:
        yield running


@pytest.fixture
def cluster(_cluster):
    """Two workers, whatever the test before did to them."""
    _cluster.heal()
    return _cluster


@pytest.mark.parametrize("killed", ["nothing", "a worker", "both workers", "the scheduler"])
def test_a_cluster_finds_what_this_computer_finds_whatever_is_killed(local, cluster, tmp_path, killed):
    requests, expected, expected_thumbs = local
    thumbs = tmp_path / "thumbs"
    with cluster_at(cluster.address) as workers, Looking(executor=SeenOnce(), cluster=workers) as looking:
        sent = [replace(request, thumb_dir=thumbs) for request in requests]
        first = 1 if killed == "both workers" else PHOTOS
        for request in sent[:first]:
            looking.add(request)
        found = dict([next(looking.rest())])
        victims = {
            "nothing": [],
            "a worker": cluster.workers[:1],
            "both workers": cluster.workers,
            "the scheduler": [cluster.scheduler],
        }[killed]
        for process in victims:
            process.kill()
        if killed == "both workers":
            looking._sent._run._timeout_s = 3  # instead of minutes
        for request in sent[first:]:
            looking.add(request)
        found.update(looking.rest())
        trouble = looking.trouble()
    assert found == expected
    assert contents(thumbs) == contents(expected_thumbs)
    if killed in ("nothing", "a worker"):
        assert trouble == []
    else:
        assert [one.code for one in trouble] == ["cluster_failed"]
        assert workers.lost
        assert 0 < workers.redone < PHOTOS


class Silent:
    """The engine's client and its executor, which never answers."""

    status = "running"

    def get_executor(self, **_given):
        return self

    def submit(self, *_given):
        return Future()


def test_a_photo_handed_out_while_the_connection_is_lost_is_given_up(local):
    """The engine cancels what is out when it notices the loss, and forgets what is handed out during that."""
    requests, _, _ = local
    client, ended = Silent(), threading.Event()
    workers = Cluster(client, 1)
    watching = threading.Thread(target=workers.watch, args=(ended,))
    watching.start()
    out = [workers.submit(look.look, requests[0]) for _ in range(3)]
    out[2].cancel()
    client.status = "connecting"
    try:
        for future in out[:2]:
            with pytest.raises(NotDoneError, match="the connection to the cluster is lost"):
                future.result(timeout=60)
        assert wait(out, timeout=60).not_done == set()
    finally:
        ended.set()
        watching.join(60)
    assert not watching.is_alive()


def test_a_file_that_is_gone_is_left_to_the_processes_here(local, cluster, tmp_path):
    requests, _, _ = local
    gone = replace(requests[0], path=tmp_path / "gone.jpg", thumb_dir=None)
    with cluster_at(cluster.address) as workers, Looking(workers=1, cluster=workers) as looking:
        looking.add(gone)
        ((_, found),) = looking.rest()
        assert (workers.redone, workers.lost) == (1, False)
    assert [flag.code for flag in found.flags] == ["unreadable"]


def test_an_intake_with_a_cluster_stores_what_an_intake_here_stores(cluster, tmp_path, monkeypatch):
    card = small_houses(tmp_path / "card").root
    stored, sent, submit = [], [], Cluster.submit
    monkeypatch.setattr(Cluster, "submit", lambda self, *given: sent.append(given) or submit(self, *given))
    for name, options in (("here", ()), ("there", ("--cluster", cluster.address))):
        archive = loaded_archive(tmp_path / name)
        ran = cli("intake", card, *options, "--json", archive=archive)
        assert ran.status == 0, ran.err
        assert not [one for one in ran.data["findings"] if one["code"] == "cluster_failed"]
        with at_home(archive) as workspace:
            photos = workspace.catalog.photos
            digests = [one.sha256 for claim in ("TC-1001", "TC-1002") for one in photos.of_claim(claim)]
            looks = {one.sha256: one.look for one in photos.records(digests)}
            stored.append((looks, contents(workspace.thumbs)))
        assert bool(sent) is bool(options)
    assert len(stored[0][0]) > 6
    assert stored[0] == stored[1]


@cache
def another_program(folder: Path) -> Path:
    """A copy of the program in which one module differs by a comment."""
    shutil.copytree(ROOT / "evidence", folder / "evidence", ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copytree(ROOT / "config", folder / "config")
    with (folder / "evidence" / "sight" / "quality.py").open("a") as file:
        file.write("# another version\n")
    return folder


def test_a_worker_with_another_program_is_refused_and_nothing_is_changed(tmp_path):
    archive, card = loaded_archive(tmp_path / "home"), small_houses(tmp_path / "card").root
    before = contents(archive)
    with LoopbackCluster(tmp_path, workers=1) as cluster:
        cluster.add_worker(another_program(tmp_path / "other"), wait=True)
        ran = cli("intake", card, "--cluster", cluster.address, archive=archive)
    assert ran.status == 2
    assert "another version of the program." in ran.err
    assert "Install the same program" in ran.err
    assert len(ran.err.splitlines()) == 1
    assert contents(archive) == before


def test_a_cluster_without_workers_is_refused(tmp_path):
    with (
        LoopbackCluster(tmp_path, workers=0) as cluster,
        pytest.raises(BadInputError, match="has no workers"),
        cluster_at(cluster.address),
    ):
        pass


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("tcp://127.0.0.1:1", "No cluster can be reached at tcp://127.0.0.1:1"),
        ("tcp://127.0.0.1:99999", "No cluster can be reached"),
        ("127.0.0.1:8786", "is not the address of a cluster"),
        ("http://127.0.0.1:8786", "is not the address of a cluster"),
        ("", "is not the address of a cluster"),
    ],
)
def test_a_wrong_address_is_one_line_and_nothing_is_changed(tmp_path, monkeypatch, address, said):
    monkeypatch.setattr("evidence.sight.cluster.CONNECT_S", 1.0)
    archive, card = loaded_archive(tmp_path / "home"), small_houses(tmp_path / "card").root
    before = contents(archive)
    ran = cli("intake", card, "--cluster", address, archive=archive)
    assert ran.status == 2
    assert said in ran.err
    assert len(ran.err.splitlines()) == 1
    assert contents(archive) == before


def test_without_the_library_the_hint_names_the_extra(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(BadInputError, match=r"photo-evidence-archive\[cluster\]"), cluster_at("tcp://a:1"):
        pass


@pytest.fixture
def engine_settings(monkeypatch):
    """Sets variables of the engine's settings, which it reads again."""
    import dask

    def set_them(**variables):
        for name, value in variables.items():
            monkeypatch.setenv(name, value)
        dask.config.refresh()

    yield set_them
    monkeypatch.undo()
    dask.config.refresh()


def test_tls_needs_the_engines_own_settings(local, tmp_path, engine_settings):
    requests, expected, _ = local
    cert, key = map(str, self_signed(tmp_path))
    with LoopbackCluster(tmp_path, workers=1, tls=(Path(cert), Path(key))) as cluster:
        assert cluster.address.startswith("tls://")
        with pytest.raises(BadInputError, match="No cluster can be reached"), cluster_at(cluster.address):
            pass
        engine_settings(
            DASK_DISTRIBUTED__COMM__TLS__CA_FILE=cert,
            DASK_DISTRIBUTED__COMM__TLS__CLIENT__CERT=cert,
            DASK_DISTRIBUTED__COMM__TLS__CLIENT__KEY=key,
        )
        with (
            cluster_at(cluster.address) as workers,
            Looking(executor=SeenOnce(), cluster=workers) as looking,
        ):
            looking.add(replace(requests[0], thumb_dir=None))
            assert dict(looking.rest()) == {requests[0].sha256: expected[requests[0].sha256]}
            assert not looking.trouble()


def test_a_worker_does_not_analyse_other_bytes_nor_with_another_program(local):
    photo = _packed(local[0][0])
    assert look_at_sent(photo).look == local[1][photo.sha256]
    with pytest.raises(NotDoneError, match="digest"):
        look_at_sent(replace(photo, data=photo.data + b"\0"))
    with pytest.raises(NotDoneError, match="another program"):
        look_at_sent(replace(photo, program={**this_program(), "numpy": "0"}))


def test_a_flag_that_a_workers_disk_may_have_caused_is_not_taken(local, monkeypatch):
    from evidence.model import Finding, Look
    from evidence.sight import look as look_module

    monkeypatch.setattr(
        look_module, "look", lambda request: Look(flags=(Finding(code="no_thumbnail", message="full"),))
    )
    with pytest.raises(NotDoneError, match="no_thumbnail"):
        look_at_sent(_packed(local[0][0]))


@pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="this system has no SIGSTOP")
@pytest.mark.parametrize("hung", ["workers", "scheduler"])
def test_photos_of_a_cluster_that_hangs_are_analysed_here(local, cluster, hung):
    requests, expected, _ = local
    with cluster_at(cluster.address) as workers, Looking(executor=SeenOnce(), cluster=workers) as looking:
        looking._sent._run._timeout_s = 2  # instead of minutes
        for process in cluster.workers if hung == "workers" else [cluster.scheduler]:
            os.kill(process.pid, signal.SIGSTOP)
        for request in requests[4:8]:
            looking.add(replace(request, thumb_dir=None))
        assert dict(looking.rest()) == {one.sha256: expected[one.sha256] for one in requests[4:8]}
        assert workers.lost
