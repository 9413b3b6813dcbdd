"""One way to open an ONNX network: the processor, one thread, nothing kept that one photo does not need."""

from __future__ import annotations

from typing import Any

import onnxruntime as ort


def session_of(model: bytes) -> Any:
    """An onnxruntime session for a serialised model. One thread: the photos share the cores, a process each.

    The arena stays off, for it would keep the largest picture's buffers for ever; telemetry, which some
    builds of the runtime have, is switched off.
    """
    ort.disable_telemetry_events()
    options = ort.SessionOptions()
    options.intra_op_num_threads = 1
    options.inter_op_num_threads = 1
    options.enable_cpu_mem_arena = False
    options.log_severity_level = 3
    return ort.InferenceSession(model, options, providers=["CPUExecutionProvider"])
