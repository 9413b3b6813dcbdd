"""The examples of docs/formats.md have the fields that the program writes."""

from __future__ import annotations

import json
import re
from pathlib import Path

from support_cli import cli
from support_intake import with_target

PAGE = (Path(__file__).resolve().parents[1] / "docs" / "formats.md").read_text(encoding="utf-8")


def examples(title):
    """The JSON values in the code blocks of one section."""
    section = PAGE.split(f"\n## {title}\n")[1].split("\n## ")[0]
    decoder, found = json.JSONDecoder(), []
    for block in re.findall(r"^```json\n(.*?)^```", section, re.MULTILINE | re.DOTALL):
        rest = block.strip()
        while rest:
            value, end = decoder.raw_decode(rest)
            found.append(value)
            rest = rest[end:].lstrip()
    return found


def lines(path):
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def test_the_examples_have_the_fields_of_the_files(houses):
    target = houses.parent / "office"
    target.mkdir()
    with_target(houses, target, off=False)
    assert cli("backup", archive=houses).status == 0
    custody = houses / "custody"
    entry, head_file = examples("Custody log")
    assert entry.keys() == lines(custody / "custody.jsonl")[0].keys()
    assert head_file.keys() == lines(custody / "custody.jsonl.head")[0].keys()
    (head,) = examples("Signed heads")
    (kept,) = [lines(path)[0] for path in target.glob("custody-heads/*/heads.jsonl")]
    assert head.keys() == kept.keys()
    assert head["head"].keys() == kept["head"].keys()
    (proof,) = examples("Proof of an entry")
    made = json.loads(cli("custody", "--prove", 2, "--since", 1, archive=houses).out)
    assert proof.keys() == made.keys()
    assert proof["extends"].keys() == made["extends"].keys()
    (record,) = examples("Records in a bag")
    (written,) = [json.loads(path.read_bytes()) for path in houses.glob("claims/TC-1001*/records/claim.json")]
    assert record.keys() <= written.keys()
    assert record["custody"].keys() == written["custody"].keys()
    ledger = lines(next((houses / "ledgers").glob("*.jsonl")))
    for example in examples("Ledgers"):
        real = next(one for one in ledger if one["event"] == example["event"])
        assert example.keys() == real.keys()
    (marker,) = examples("A target's marker")
    assert marker.keys() <= json.loads((target / "backup-target.json").read_bytes()).keys()
