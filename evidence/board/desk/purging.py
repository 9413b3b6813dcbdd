"""What the desk's pages do with purges: plan, approve, run, bring back. Only people of the office with a password may."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Form
from fastapi.responses import Response

from evidence.board.actions import act
from evidence.board.context import CurrentUser, redirect_local, require_post
from evidence.board.desk.actions import require_password
from evidence.board.jobs import Job
from evidence.board.permissions import Permission
from evidence.errors import BadInputError, EvidenceError, counted
from evidence.lookup import known_claim
from evidence.office.purging import approve_purge, plan_purge, run_purge, undo_purge
from evidence.plain_words import typed_date_or_none
from evidence.retention.purge.run import PurgeReport
from evidence.retention.purge.taking_back import stays_text

router = APIRouter()

Office = Annotated[CurrentUser, Depends(require_post(Permission.DESK))]
Short = Annotated[str, Form(max_length=300)]
Text = Annotated[str, Form(max_length=4000)]


@router.post("/do/desk/plan")
def plan(user: Office, claims: Text = "", confirm: Short = "") -> Response:
    """Make a plan of these claims, or of all that are due, and show it."""
    made: list[str] = []

    def work() -> str:
        named = [known_claim(user.workspace, one) for one in claims.replace(",", " ").split()]
        planned = plan_purge(user.workspace, named or None, confirmed=_confirmed(confirm))
        made.append(planned.plan)
        return (
            f"The plan of {counted(len(planned.claims), 'claim')} is made. Another person has to approve it."
        )

    return _step(
        user,
        "A purge is planned",
        "a purge plan is made",
        work,
        lambda: _page(made[0]) if made else "/desk/purges",
    )


@router.post("/do/desk/approve")
def approve(user: Office, plan: Short, seen: Short = "") -> Response:
    """Approve another person's purge plan; only somebody who logged in with a password can."""

    def work() -> str:
        require_password(user, "A purge is approved")
        _require_seen(seen, "approved")
        approve_purge(user.workspace, plan)
        return f"The plan is approved by {user.name}."

    return act(user, _page(plan), work)


@router.post("/do/desk/run")
def run(user: Office, plan: Short, seen: Short = "", confirm: Short = "") -> Response:
    """Run an approved plan: move every copy into quarantine, or delete what was there long enough."""

    def work() -> str:
        _require_seen(seen, "run")
        return _report_words(run_purge(user.workspace, plan, confirmed=_confirmed(confirm)))

    return _step(user, "A purge is run", f"the plan {plan} is run", work, lambda: _page(plan))


@router.post("/do/desk/undo-purge")
def undo(user: Office, plan: Short) -> Response:
    """Bring back every claim of a plan that is in quarantine, or withdraw a plan that was not run."""

    def work() -> str:
        back = undo_purge(user.workspace, plan)
        words = f"Undone: {', '.join(back.claims) or 'nothing, it was undone before'}."
        return " ".join(filter(None, [words, stays_text(back.stays)]))

    return _step(user, "A purge is undone", f"the plan {plan} is undone", work, lambda: _page(plan))


def _step(
    user: CurrentUser, only: str, words: str, work: Callable[[], str], back: Callable[[], str]
) -> Response:
    """Run the step in the background; the page follows when it ends soon, else it says that it is running."""
    try:
        require_password(user, only)
        job = Job(words=words, by=user.name, since=user.workspace.now())
        user.board.jobs.run(job, work, user.flash)
    except EvidenceError as error:
        user.flash(str(error), "bad")
    user.board.worker.wake()
    return redirect_local(back())


def _page(plan: str) -> str:
    return f"/desk/purge?{urlencode({'plan': plan})}"


def _require_seen(seen: str, what: str) -> None:
    if seen != "yes":
        raise BadInputError(
            f"The plan is not {what}: you did not confirm that you read it.",
            "Read the plan, tick the box, and send it again.",
        )


def _confirmed(text: str) -> date | None:
    return typed_date_or_none(text or None, "the date")


def _report_words(report: PurgeReport) -> str:
    """What a run did, in sentences."""
    parts = [
        f"Claim {one.claim} is purged; its certificate is {one.certificate.name}." for one in report.purged
    ]
    parts += [
        f"Claim {one.claim} is in quarantine; after {one.until:%Y-%m-%d %H:%M} UTC another run deletes it."
        for one in report.quarantined
    ]
    parts += [f"Claim {one.claim} was not purged: {one.reason}" for one in report.refused]
    parts += [f"Remaining: {text}" for text in report.remaining]
    return " ".join(parts) or "Nothing was left to do."
