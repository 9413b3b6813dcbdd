"""The page of one card: a file that opens in a browser without a server. It shows no more than the archive knows."""

from __future__ import annotations

import functools
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from evidence.errors import one_line
from evidence.filing.card_pages import write_page
from evidence.model import IntakeId, PhotoRecord
from evidence.reports.card_result import CardOutcome, card_outcome
from evidence.sight.request import THUMB_SIDES, thumb_path
from evidence.workspace import Workspace

TEMPLATE = "card_page.html"


def keep_card_page(workspace: Workspace, intake: IntakeId) -> Path | None:
    """Write the page of a card into the archive; returns its path, None when a purge was faster.

    Raises BadInputError for an unknown intake, DestinationError.
    """
    outcome = card_outcome(workspace, intake)
    claims = [house.claim for house in outcome.claims if house.claim]
    photos = {photo.sha256 for house in outcome.houses for photo in house.photos}
    return write_page(workspace, intake, claims, photos, card_page(workspace, outcome))


@functools.cache
def _environment() -> Environment:
    """The page's template, compiled once in a process."""
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["line"] = one_line
    return environment


def card_page(workspace: Workspace, outcome: CardOutcome) -> str:
    """The page as HTML; its pictures are the archive's thumbnails, beside the page's folder."""
    style = (Path(__file__).parent / "static" / "card_page.css").read_text(encoding="utf-8")

    def picture(photo: PhotoRecord) -> str:
        """The thumbnail's address from the page's folder; empty when there is none."""
        path = thumb_path(workspace.thumbs, photo.sha256, min(THUMB_SIDES))
        return f"../{path.relative_to(workspace.root).as_posix()}" if path.is_file() else ""

    return _environment().get_template(TEMPLATE).render(card=outcome, picture=picture, style=style)
