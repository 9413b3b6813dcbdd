"""The page of a claim's house: the plan, the state of each side and slope, and the table of components."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import HTMLResponse
from markupsafe import Markup

from evidence.analysis.left_out import left_out_of_report, without_left_out
from evidence.board.claim_pages import AnyUser, open_claim, queue_of
from evidence.board.plan_svg import plan_svg
from evidence.errors import BadInputError
from evidence.model import PICTURE_KINDS
from evidence.paper.house import claim_house
from evidence.plan.surfaces import FACES, HousePart, State

router = APIRouter()


@router.get("/house")
def house_page(user: AnyUser, number: str) -> HTMLResponse:
    """The house at a glance, from the photos that the report prints."""
    view = open_claim(user, number)
    if view.report is None or view.claim is None:
        raise BadInputError("Unassigned photos have no house.", "Open a claim instead.")
    left_out = left_out_of_report(user.workspace, view.claim)
    records, report = without_left_out(view.records, view.report, left_out)
    photos = [record for record in records if record.kind in PICTURE_KINDS]
    shown = claim_house(photos, user.workspace.vocabulary, report)
    numbers = {record.sha256: record.order + 1 for record in view.records}
    names = {record.sha256: f"Photo {record.order + 1}, {record.name}" for record in view.records}
    return user.render(
        "house.html",
        view=view,
        queue=queue_of(user, view.number),
        tab="house",
        drawing=Markup(plan_svg(shown.plan, names)),  # noqa: S704 - it escapes every text
        shown=shown,
        plan=shown.plan,
        rows=[
            (face, shown.house.surface(HousePart.ELEVATION, face), shown.house.surface(HousePart.SLOPE, face))
            for face in FACES
        ],
        states=list(State),
        numbers=numbers,
        left_out=len(view.records) - len(records),
    )
