"""The desk's pages, all of them for the duty `office`: they read, and change nothing."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, Depends
from fastapi.responses import HTMLResponse

from evidence.board.context import CurrentUser, require
from evidence.board.desk.claims import SHOW_WORDS, ShownClaims, claims_page
from evidence.board.desk.drills import proofs
from evidence.board.desk.log_view import LogFilter, detail_words, log_page
from evidence.board.desk.purges import PlanState, plans, shown_plan
from evidence.board.desk.today import Today, today_of
from evidence.board.permissions import PERMISSIONS, Permission
from evidence.board.view_models import DUTY_WORDS
from evidence.errors import PurgeRefusedError, counted
from evidence.model import Duty
from evidence.office.date_check import require_right_date
from evidence.office.purging import plan_folder
from evidence.office.retention import review_dispositions
from evidence.office.target_list import TargetList, TargetState, list_targets

router = APIRouter()

Office = Annotated[CurrentUser, Depends(require(Permission.DESK))]
LONGEST = 200
"""Most characters of a word to search for."""


@router.get("/desk")
def today(user: Office) -> HTMLResponse:
    """What the office has to know today."""
    found = today_of(user.workspace)
    return user.render(
        "desk/today.html",
        desk_page="/desk",
        today=found,
        headline=_headline(found),
        day=user.workspace.today().isoformat(),
    )


def _headline(found: Today) -> str:
    if not found.trouble and not found.waiting:
        return "Nothing is in trouble, and nothing waits."
    trouble = counted(len(found.trouble), "thing is", "things are") + " in trouble"
    waits = counted(len(found.waiting), "thing waits", "things wait")
    if not found.trouble:
        return f"Nothing is in trouble; {waits}."
    return f"{trouble}; {waits}." if found.waiting else f"{trouble}."


@router.get("/desk/claims")
def claims(user: Office, q: str = "", show: str = "all", page: int = 1) -> HTMLResponse:
    """Claims to close, reopen or remove."""
    q = q[:LONGEST]
    chosen = ShownClaims(show) if show in {one.value for one in ShownClaims} else ShownClaims.ALL
    return user.render(
        "desk/claims.html",
        desk_page="/desk/claims",
        list=claims_page(user.workspace, search=q, show=chosen, page=page),
        shows=SHOW_WORDS,
        show=chosen,
        q=q,
        today=user.workspace.today().isoformat(),
        back=f"/desk/claims?show={chosen}",
    )


@router.get("/desk/purges")
def purges(user: Office) -> HTMLResponse:
    """Every purge plan."""
    found = plans(user.workspace)
    waiting = sum(one.state is PlanState.TO_APPROVE for one in found)
    headline = f"{counted(waiting, 'purge plan waits', 'purge plans wait')} for approval"
    return user.render(
        "desk/purges.html",
        desk_page="/desk/purges",
        plans=found,
        headline=headline if waiting else "No purge plan waits for approval",
        due=len(review_dispositions(user.workspace).due),
        **_steps(user),
    )


@router.get("/desk/purge")
def purge(user: Office, plan: str) -> HTMLResponse:
    """One plan: everything that somebody who approves it has to read."""
    view = shown_plan(user.workspace, plan_folder(user.workspace, plan[:LONGEST]))
    return user.render(
        "desk/purge.html",
        desk_page="/desk/purges",
        plan=view,
        owed=sorted({each for one in view.claims for each in one.owed}),
        stations=[each for one in view.claims for each in one.stations],
        may_approve=view.state is PlanState.TO_APPROVE,
        **_steps(user),
    )


def _steps(user: CurrentUser) -> dict[str, Any]:
    """What the forms of a purge need: whether this person may, the step that is running, and a date to confirm."""
    try:
        require_right_date(user.workspace, by_index=True)
        doubt = ""
    except PurgeRefusedError as trouble:
        doubt = trouble.message
    return {
        "by_password": bool(user.session.password),
        "job": user.board.jobs.running,
        "date_in_doubt": doubt,
        "today": user.workspace.today().isoformat(),
        "now": user.workspace.now(),
    }


@router.get("/desk/targets")
def targets(user: Office) -> HTMLResponse:
    """What `evidence target list` shows."""
    found = list_targets(user.workspace)
    return user.render(
        "desk/targets.html", desk_page="/desk/targets", list=found, headline=_target_headline(found)
    )


def _target_headline(found: TargetList) -> str:
    named = [one for one in found.places[1:] if one.state not in {TargetState.LOST, TargetState.REPLACED}]
    if not named:
        return "No backup disk is named"
    here = sum(one.state is TargetState.READY for one in named)
    rule = "is met" if found.rule.met else "is not met"
    return f"{here} of {counted(len(named), 'backup disk')} connected; the 3-2-1 rule {rule}"


@router.get("/desk/drills")
def drills(user: Office) -> HTMLResponse:
    """Drills and read-backs."""
    found = proofs(user.workspace)
    last = next((one for one in found if one.what.startswith("drill")), None)
    return user.render(
        "desk/drills.html",
        desk_page="/desk/drills",
        proofs=found,
        headline="No drill yet"
        if last is None
        else f"The last drill was {'good' if last.good else 'not good'}",
    )


@router.get("/desk/people")
def people(user: Office) -> HTMLResponse:
    """People who may log in."""
    found = [
        (one.name, DUTY_WORDS[one.duty], "; ".join(sorted(each.value for each in PERMISSIONS[one.duty])))
        for one in user.workspace.catalog.users.all()
    ]
    many = counted(len(found), "person may log in", "people may log in")
    return user.render(
        "desk/people.html",
        desk_page="/desk/people",
        people=found,
        headline=many if found else "Nobody is registered",
        alone=sum(duty == DUTY_WORDS[Duty.OFFICE] for _, duty, _ in found) < 2,
    )


def _filter(about: str = "", who: str = "", what: str = "", since: str = "", until: str = "") -> LogFilter:
    return LogFilter(
        about=about.strip()[:LONGEST],
        who=who.strip()[:LONGEST],
        what=what.strip()[:LONGEST].replace(" ", "_"),
        since=_a_day(since),
        until=_a_day(until),
    )


def _a_day(text: str) -> str:
    """The text when it is an ISO date, else nothing: a browser sends no other."""
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        return ""


@router.get("/desk/log")
def log(user: Office, chosen: Annotated[LogFilter, Depends(_filter)], before: int = 0) -> HTMLResponse:
    """The custody log."""
    return user.render(
        "desk/log.html",
        desk_page="/desk/log",
        log=log_page(user.workspace, chosen, before=before),
        chosen=chosen,
        details=detail_words,
    )
