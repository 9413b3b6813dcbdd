"""docs/scale.md repeats the arithmetic that tests/bench/scale_arithmetic.py makes of docs/measurements.md."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "docs" / "scale.md").read_text(encoding="utf-8")
MEASURED_LINES = (ROOT / "docs" / "measurements.md").read_text(encoding="utf-8").splitlines()
MEASURED = " ".join(" ".join(MEASURED_LINES).split())

_spec = importlib.util.spec_from_file_location(
    "scale_arithmetic", ROOT / "tests" / "bench" / "scale_arithmetic.py"
)
arithmetic = importlib.util.module_from_spec(_spec)
sys.modules["scale_arithmetic"] = arithmetic
_spec.loader.exec_module(arithmetic)


def test_the_page_holds_the_tables_that_the_script_prints():
    assert arithmetic.table(arithmetic.ADJUSTERS) in PAGE
    assert arithmetic.compared() in PAGE


def test_every_input_stands_in_the_measurements_as_it_is_quoted():
    assert len(arithmetic.INPUTS) == 10
    missing = [one.words for one in arithmetic.INPUTS if one.words not in MEASURED]
    assert missing == []


def test_the_sections_that_the_page_names_exist():
    headings = {line[3:].strip() for line in MEASURED_LINES if line.startswith("## ")}
    named = {
        "The whole look at once",
        "A whole intake",
        "The catalog of a million photos",
        "Reading back and backing up",
        "Photos used before",
        "The custody log",
        "The size of the archive",
    }
    assert named <= headings
    assert [one for one in named if f"*{one}*" not in PAGE] == []


def test_the_results_by_hand():
    # 1,000 * 5 * 200 photos of 3.2 MB are 3.2 TB a day; * 250 * 7 = 5.6 PB; / 36,000 s * 8 = 0.71 Gbit/s
    found = {what: result for what, _, result in arithmetic.rows(1000)}
    assert found["bytes a day"] == "3.2 TB"
    assert found["storage at seven years, one place"] == "5.6 PB"
    assert found["bandwidth in, mean"] == "0.71 Gbit/s"
    assert found["cores for the look, hours a day"] == "121 core hours"
