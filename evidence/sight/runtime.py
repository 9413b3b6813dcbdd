"""One way to open an ONNX network: the processor, one thread, nothing kept that one photo does not need."""

from __future__ import annotations

from typing import Any

import onnxruntime as ort


def session_of(model: bytes, *, keeps_memory: bool = False) -> Any:
    """An onnxruntime session for a serialised model. One thread: the photos share the cores, a process each.

    `keeps_memory`: what one run used stays for the next, which spares a network that every photo passes a
    fifth of its time; `given_back` lets go of it. Elsewhere the largest picture's buffers would be kept for
    ever. Telemetry, which some builds of the runtime have, is switched off.
    """
    ort.disable_telemetry_events()
    options = ort.SessionOptions()
    options.intra_op_num_threads = 1
    options.inter_op_num_threads = 1
    options.enable_cpu_mem_arena = keeps_memory
    options.log_severity_level = 3
    return ort.InferenceSession(model, options, providers=["CPUExecutionProvider"])


def given_back() -> Any:
    """Options of one run after which a session that keeps memory holds none of it."""
    options = ort.RunOptions()
    options.add_run_config_entry("memory.enable_memory_arena_shrinkage", "cpu:0")
    return options
