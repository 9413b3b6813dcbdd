"""The rows of the catalog that a bag's records hold, for a rebuild."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from evidence.catalog.base import dump, to_text
from evidence.catalog.claims import PARTIES
from evidence.catalog.intakes import file_name
from evidence.catalog.records import Row, RowsByTable
from evidence.codec import from_json, to_json
from evidence.model import CameraFacts, ClaimId, Look


def claim_rows_of(about: Mapping[str, Any], folder: str | None, *, at: str | None) -> RowsByTable:
    """The rows of a bag's records/claim.json: the claim's own, its holds, waivers and decisions.

    `at` is the time that a claim of an older format is said to be added.
    """
    claim = about["claim"]
    place = claim["place"] or {}
    own = {
        **{
            name: claim[name]
            for name in ("claim", "insured", "address", "loss_date", "peril", "jurisdiction", "stories")
        },
        **{name: claim.get(name) or "" for name in (*PARTIES, "line")},
        **{name: claim.get(name) for name in ("inspection_start", "inspection_end")},
        "lat": place.get("lat"),
        "lon": place.get("lon"),
        "state": about["state"],
        "closed_on": about["closed_on"],
        "folder": folder,
        "added_at": about.get("added_at") or at,
        "version": about.get("version") or 0,
    }
    holds = [
        {
            **{name: one[name] for name in ("claim", "reason", "placed_by", "lifted_by", "lifted_why")},
            "id": one["number"],
            "kind": one.get("kind", "own"),
            "until": one.get("until"),
            "lift_asked_by": one.get("lift_asked_by") or one["lifted_by"],
            "placed_at": _stored(one["placed_at"]),
            "lifted_at": _stored(one["lifted_at"]),
            "lift_asked_at": _stored(one.get("lift_asked_at") or one["lifted_at"]),
        }
        for one in about["holds"]
    ]
    decisions = [
        {
            **{name: one[name] for name in ("actor", "kind", "claim", "undone")},
            "id": one["number"],
            "at": _stored(one["at"]),
            "before": dump(one["before"]),
            "after": dump(one["after"]),
            "station": one.get("station", ""),
        }
        for one in about["decisions"]
    ]
    waivers = [{**one, "at": _stored(one["at"])} for one in about["waivers"]]
    return {"claim": [own], "hold": holds, "decision": decisions, "waiver": waivers}


def _stored(moment: str | None) -> str | None:
    """A time of a record as the catalog keeps it."""
    return to_text(datetime.fromisoformat(moment)) if moment else None


def original_row(one: Mapping[str, Any], claim: ClaimId, embeddings: bytes) -> Row:
    """The catalog's row of one file, from an entry of a bag's records/photos.json of any format."""
    record = one["record"]
    path = one["payload_path"]
    facts, look = from_json(CameraFacts, record["facts"]), from_json(Look, record["look"])
    described = one.get("described", True)
    at, size = one.get("embedding") or (0, 0)
    own_flags = {json.dumps(flag, sort_keys=True) for flag in to_json((*facts.flags, *look.flags))}
    flags = [flag for flag in record["flags"] if json.dumps(flag, sort_keys=True) not in own_flags]
    return {
        "sha256": record["sha256"],
        "size": one["size"],
        "suffix": one.get("suffix", Path(path).suffix.lower()),
        "kind": record["kind"],
        "facts": dump(to_json(facts)) if described else None,
        "look": dump(to_json(look)) if described else None,
        "embedding": embeddings[at : at + size] if size else None,
        "phash": look.phash or None,
        "corrected": _stored(record["corrected"]),
        "correction": record["correction"],
        "utc": _stored(record["utc"]),
        "claim": claim or None,
        "position": one.get("position", record["order"]),
        "segment": one.get("segment", ""),
        "claim_confidence": record["claim_confidence"],
        "to_confirm": record["to_confirm"],
        "claim_reasons": dump(record["claim_reasons"]),
        "tag_flags": dump(one.get("tag_flags", flags)),
        "caption": record.get("caption", ""),
    }


def sighting_row(one: Mapping[str, Any]) -> Row:
    """The catalog's row of one sighting of a file."""
    dcf = one["dcf"] or {}
    return {
        "intake": one["intake"],
        "card_path": one["card_path"],
        "name": file_name(one["card_path"]),
        "sha256": one["sha256"],
        "modified": _stored(one["modified"]),
        "folder_number": dcf.get("folder_number"),
        "file_number": dcf.get("file_number"),
        "object_key": one["object_key"],
    }
