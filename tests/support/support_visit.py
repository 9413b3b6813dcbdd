"""A scripted reviewer in a real browser, whose keys, clicks and seconds are counted; and the demo's claims, recorded."""

from __future__ import annotations

import gzip
import json
import time
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from support_board import copied, placing

from evidence.analysis.refresh import retag
from evidence.catalog.segments import SegmentRow
from evidence.codec import from_json, to_json
from evidence.model import (
    CameraFacts,
    Claim,
    ClaimId,
    IntakeId,
    Look,
    MediaKind,
    Sha256,
)
from evidence.workspace import Workspace

if TYPE_CHECKING:
    from playwright.sync_api import Page

RECORDED = Path(__file__).parents[1] / "recorded" / "demo_claims.json.gz"
"""Camera data and what the analysis found in each photo of the demo's two incomplete claims; drawn photos."""
MOST_STEPS = 120
"""Pages after which a visit that reached no decision has failed."""


@dataclass
class CountedVisit:
    """Presses keys on a page and counts them."""

    page: Page
    keys: int = 0
    answers: list[str] = field(default_factory=list)
    """The questions, in order."""
    started: float = field(default_factory=time.monotonic)

    def press(self, *keys: str) -> None:
        for key in keys:
            self.page.keyboard.press(key)
            self.keys += 1

    def opens(self, *keys: str) -> None:
        """Press keys of which the last one loads a page."""
        self.press(*keys[:-1])
        with self.page.expect_navigation():
            self.press(keys[-1])
        self.page.wait_for_load_state()

    def tab_to(self, selector: str, most: int = 200) -> None:
        """Tab until the focus is on what fits, or is there already."""
        for _ in range(most):
            if self.page.evaluate("s => document.activeElement?.matches(s) ?? false", selector):
                return
            self.press("Tab")
        raise AssertionError(f"no way by keyboard to {selector}")

    @property
    def clicks(self) -> int:
        """Clicks of the mouse so far; `watch_clicks` must run before the first page."""
        return int(self.page.evaluate("sessionStorage.getItem('clicks') || 0"))

    @property
    def seconds(self) -> float:
        return time.monotonic() - self.started


def watch_clicks(page: Page) -> None:
    """Count presses of the mouse on every page that follows."""
    page.add_init_script(
        "addEventListener('pointerdown', () => sessionStorage.setItem("
        "'clicks', Number(sessionStorage.getItem('clicks') || 0) + 1), true);"
    )


def visit_by_question(page: Page, claim: str) -> CountedVisit:
    """From the list of claims to the decision, answering each question; then one key more opens the next claim.

    The reviewer says yes to every guess, types the number of hits, and needs every missing shot.
    """
    visit = CountedVisit(page)
    visit.tab_to(f".claim-row a[href$='{claim}']")
    visit.opens("Enter")
    visit.opens("Q")
    for _ in range(MOST_STEPS):
        kind = page.get_attribute(".review", "data-kind")
        visit.answers.append(page.inner_text("#question"))
        if kind == "done":
            return visit
        count = page.locator("input[name=count]")
        if kind == "decide":
            visit.opens("O" if page.locator("form[action='/do/sign']").count() else "X")
        elif count.count() and not count.input_value():
            visit.opens("h", "9", "Enter")
        else:
            visit.opens("y")
    raise AssertionError(f"no decision after {MOST_STEPS} pages: {visit.answers[-3:]}")


def visit_by_pages(page: Page, claim: str) -> CountedVisit:
    """The same claim without review by question: proof table, each guessed photo large, decision."""
    visit = CountedVisit(page)
    visit.tab_to(f".claim-row a[href$='{claim}']")
    visit.opens("Enter")
    while page.locator(".cell.c-guessed").count():
        visit.tab_to(".cell.c-guessed")
        visit.opens("Enter")
        visit.tab_to("#grid input[type=checkbox]")
        first = page.locator("#grid .tile").evaluate_all(
            "all => all.findIndex((one) => one.querySelector('.pill.guess'))"
        )
        visit.press(*["ArrowRight"] * max(0, first))
        visit.opens("Enter")
        visit.press("y")
        page.wait_for_function("() => (document.getElementById('panel').dataset.waiting || '0') === '0'")
        if page.locator(".pill.guess.f-condition").count():
            visit.press("d")
            page.wait_for_function("() => (document.getElementById('panel').dataset.waiting || '0') === '0'")
        visit.opens("Escape")
        visit.tab_to(".tabs a[href^='/claim']")
        visit.opens("Enter")
    visit.tab_to("form[action='/do/send-back'] button")
    visit.opens("Enter")
    return visit


# --- the demo's claims -------------------------------------------------------------------


def record_claims(workspace: Workspace, claims: list[str]) -> None:
    """Write RECORDED from an archive of the demo."""
    data = {
        claim: {
            "claim": to_json(workspace.catalog.claims.get(ClaimId(claim)).claim),  # type: ignore[union-attr]
            "photos": [
                {
                    "sha256": record.sha256,
                    "path": record.card_path,
                    "kind": record.kind.value,
                    "facts": to_json(record.facts),
                    "look": to_json(record.look),
                }
                for record in workspace.catalog.photos.of_claim(ClaimId(claim))
            ],
        }
        for claim in claims
    }
    RECORDED.write_bytes(gzip.compress(json.dumps(data, sort_keys=True).encode(), mtime=0))


def put_recorded(workspace: Workspace) -> list[str]:
    """The recorded claims in the catalog, tagged as an intake tags them; returns their numbers."""
    data = json.loads(gzip.decompress(RECORDED.read_bytes()))
    for number, one in data.items():
        _put_claim(workspace, ClaimId(number), one)
    retag(workspace, [ClaimId(number) for number in data])
    return list(data)


def _put_claim(workspace: Workspace, number: ClaimId, one: dict[str, Any]) -> None:
    workspace.catalog.claims.put([from_json(Claim, one["claim"])], at=workspace.now())
    intake = IntakeId(f"20260514-090000-{number[-4:]}")
    photos, placings = workspace.catalog.photos, []
    described, listed = [], []
    for position, photo in enumerate(one["photos"]):
        sha, facts = Sha256(photo["sha256"]), from_json(CameraFacts, photo["facts"])
        listed.append(copied(photo["path"], sha, size=1, kind=MediaKind(photo["kind"])))
        described.append((sha, facts, from_json(Look, photo["look"])))
        placings.append(
            placing(
                sha,
                number,
                position,
                segment=f"2026-05-14/{number}",
                confidence=1.0,
                to_confirm=False,
                reasons=("recorded",),
                corrected=facts.taken_local or datetime(2026, 5, 14, 9) + timedelta(seconds=position),
            )
        )
    segment = SegmentRow(
        segment=f"2026-05-14/{number}",
        claim=number,
        unknown=False,
        first=Sha256(one["photos"][0]["sha256"]),
        photos=len(placings),
        day="2026-05-14",
        position=int(number[-4:]),
        probability=1.0,
        to_confirm=False,
        reasons=("recorded",),
    )
    with workspace.catalog.transaction():
        photos.add_originals(intake, listed)
        photos.describe(described)
        photos.place(placings, [segment])
