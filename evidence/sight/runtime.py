"""Opens ONNX networks: on the processor, with one thread."""

from __future__ import annotations

from typing import Any

import onnxruntime as ort


def session_of(model: bytes, *, keeps_memory: bool = False) -> Any:
    """An onnxruntime session for a serialised model. It uses one thread, because each process has one core.

    `keeps_memory` keeps the buffers of one run for the next. That saves a fifth of the time of a network that
    every photo passes; run with `freeing_memory` to release them. Other networks do not keep the buffers of the
    largest picture. Telemetry, which some builds of the runtime contain, is switched off.
    """
    ort.disable_telemetry_events()
    options = ort.SessionOptions()
    options.intra_op_num_threads = 1
    options.inter_op_num_threads = 1
    options.enable_cpu_mem_arena = keeps_memory
    options.log_severity_level = 3
    return ort.InferenceSession(model, options, providers=["CPUExecutionProvider"])


def freeing_memory() -> Any:
    """Run options that release the memory of a session that keeps it, after the run."""
    options = ort.RunOptions()
    options.add_run_config_entry("memory.enable_memory_arena_shrinkage", "cpu:0")
    return options
