"""What the desk's pages change: closings and removals; and proofs of the custody log."""

from __future__ import annotations

import json
from typing import Annotated

from fastapi import APIRouter, Depends, Form
from fastapi.responses import Response

from evidence.board.actions import act
from evidence.board.context import CurrentUser, redirect_local, require_post
from evidence.board.permissions import Permission
from evidence.errors import BadInputError, EvidenceError, counted
from evidence.filing import custody_check, custody_report
from evidence.lookup import known_claim
from evidence.office import retention
from evidence.office.assignments import remove_assignment
from evidence.plain_words import typed_date

router = APIRouter()

Office = Annotated[CurrentUser, Depends(require_post(Permission.DESK))]
Short = Annotated[str, Form(max_length=300)]
NOT_INTACT = "The log is NOT intact: "


def require_password(user: CurrentUser, what: str) -> None:
    """Raise BadInputError for somebody who came in by a link: it names a person and does not prove who that is."""
    if not user.session.password:
        raise BadInputError(
            f"{what} by somebody who logged in with their own password.",
            "Log out, and log in with your name and password.",
        )


@router.post("/do/desk/close")
def close(user: Office, claim: Short, on: Short, back: Short = "/desk/claims") -> Response:
    """Close a claim."""

    def work() -> str:
        retention.close_claim(user.workspace, known_claim(user.workspace, claim), on=typed_date(on))
        return f"Claim {claim} is closed on {on}; its retention period has begun."

    return act(user, back, work)


@router.post("/do/desk/reopen")
def reopen(user: Office, claim: Short, on: Short, back: Short = "/desk/claims") -> Response:
    """Reopen a claim."""

    def work() -> str:
        retention.reopen_claim(user.workspace, known_claim(user.workspace, claim), on=typed_date(on))
        return f"Claim {claim} is open again since {on}; its period restarts when you close it."

    return act(user, back, work)


@router.post("/do/desk/remove")
def remove(user: Office, claim: Short, back: Short = "/desk/claims") -> Response:
    """Remove a claim that was loaded by mistake."""

    def work() -> str:
        remove_assignment(user.workspace, known_claim(user.workspace, claim))
        return f"Claim {claim} is removed from the list of claims."

    return act(user, back, work)


@router.post("/do/desk/check-log")
def check_log(user: Office, only: Short = "") -> Response:
    """Verify the whole custody log, or `only="new"` entries since it was verified last."""
    check = custody_report.check_new_entries if only == "new" else custody_check.check_log
    found = check(user.workspace)
    notes = " ".join(one.message for one in found.findings[:3])
    many = counted(found.entries - found.since, "entry", "entries")
    if not found.valid:
        user.flash(NOT_INTACT + notes, "bad")
    elif found.since:
        user.flash(
            f"The entries after entry {found.since} are intact: {many}, none altered, dropped or reordered. Earlier ones "
            f"were not read. {notes}".strip()
        )
    else:
        against = f"It was compared with {counted(found.heads, 'signed head')}."
        user.flash(
            f"The log is intact: {many}, none altered, dropped or reordered. {against} {notes}".strip()
        )
    return redirect_local("/desk/log")


@router.post("/do/desk/proof")
def proof(user: Office, entry: Annotated[int, Form(ge=1)]) -> Response:
    """Verify the log, then send a proof that it holds one entry, as a file."""
    try:
        found = custody_check.check_log(user.workspace)
        if not found.valid:
            raise BadInputError(
                f"{NOT_INTACT}{found.findings[0].message}", "Run `evidence custody --verify`."
            )
        text = json.dumps(custody_report.prove(user.workspace, entry), ensure_ascii=False, indent=2)
    except EvidenceError as error:
        user.flash(str(error), "bad")
        return redirect_local("/desk/log")
    name = f"custody-proof-{entry}.json"
    return Response(
        text,
        media_type="application/json",
        headers={"content-disposition": f'attachment; filename="{name}"'},
    )
