"""How long claims are kept as the desk shows it: each verdict with its reason, and a forecast by year with its chart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from evidence.board.view_models import day_words
from evidence.errors import counted
from evidence.model import ClaimId
from evidence.office.retention import review_and_forecast
from evidence.retention.disposition import Disposition, DispositionReview, Due, Held
from evidence.retention.forecast import Forecast, Load
from evidence.workspace import Workspace

PER_PAGE = 60
"""Claims on one page."""


class ShownVerdicts(StrEnum):
    """Which claims the page lists."""

    ALL = "all"
    DUE = "due"
    HELD = "held"
    KEPT = "kept"
    ENDLESS = "endless"


SHOW_WORDS = {
    ShownVerdicts.ALL: "All",
    ShownVerdicts.DUE: "Due",
    ShownVerdicts.HELD: "Held",
    ShownVerdicts.KEPT: "Kept until a day",
    ShownVerdicts.ENDLESS: "Kept, no end yet",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimVerdict:
    """One claim."""

    number: ClaimId
    insured: str
    show: ShownVerdicts
    words: str
    """`due since 3 May 2026`."""
    rule: str
    """The rule that decided; empty while the claim is open."""
    authority: str
    reason: str
    """The arithmetic, or why there is no end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One line of the chart, in units of the drawing."""

    label: str
    y: int
    width: float
    claims: int
    kind: str
    """`now` for this year, `when` for a later one, `never` for claims without a year."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """Claims by the year in which they become due, as horizontal bars."""

    bars: tuple[Bar, ...]
    width: int
    height: int
    left: int
    """Where the bars begin."""
    words: str
    """The chart in one sentence, for those who do not see it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RetentionPage:
    """The forecast and one page of verdicts."""

    loads: tuple[tuple[str, Load], ...]
    """The forecast's table: label and load."""
    chart: Chart
    verdicts: tuple[ClaimVerdict, ...]
    counts: dict[ShownVerdicts, int]
    found: int
    page: int
    pages: int
    rules: str
    """Digest of the rules that were asked."""


def retention_page(workspace: Workspace, *, search: str, show: ShownVerdicts, page: int) -> RetentionPage:
    """Judge every claim that is not purged, once. Raises BadInputError for a mistake in the archive's rules."""
    today = workspace.today()
    reviewed, years = review_and_forecast(workspace)
    insured = {ClaimId(one.claim): one.insured for one in workspace.catalog.summaries.all()}
    verdicts = _verdicts(reviewed, insured)
    rows = _rows(years, today)
    words = search.casefold().split()
    chosen = [
        one
        for one in verdicts
        if show in {ShownVerdicts.ALL, one.show}
        and all(word in f"{one.number} {one.insured}".casefold() for word in words)
    ]
    pages = max(1, -(-len(chosen) // PER_PAGE))
    page = min(max(1, page), pages)
    return RetentionPage(
        loads=tuple((label, load) for label, _, load in rows),
        chart=chart_of([(label, kind, load.claims) for label, kind, load in rows]),
        verdicts=tuple(chosen[(page - 1) * PER_PAGE : page * PER_PAGE]),
        counts={
            one: len(verdicts) if one is ShownVerdicts.ALL else sum(each.show is one for each in verdicts)
            for one in ShownVerdicts
        },
        found=len(chosen),
        page=page,
        pages=pages,
        rules=reviewed.rules,
    )


def _verdicts(found: DispositionReview, insured: dict[ClaimId, str]) -> list[ClaimVerdict]:
    every: list[tuple[ClaimId, Disposition]] = [*found.due, *found.held, *found.kept]
    return [_verdict(claim, one, insured.get(claim, "")) for claim, one in every]


def _verdict(claim: ClaimId, found: Disposition, insured: str) -> ClaimVerdict:
    if isinstance(found, Due):
        show, words = ShownVerdicts.DUE, f"due since {_day(found.since)}"
    elif isinstance(found, Held):
        show, words = ShownVerdicts.HELD, "held"
    elif found.until is None:
        show, words = ShownVerdicts.ENDLESS, "no end yet"
    else:
        show, words = ShownVerdicts.KEPT, f"through {_day(found.until)}"
    basis = found.basis
    reason = found.reason
    if basis and not isinstance(found, Held):
        reason = "; ".join(filter(None, [basis.arithmetic, basis.note]))
    return ClaimVerdict(
        number=claim,
        insured=insured,
        show=show,
        words=words,
        rule=basis.rule if basis else "",
        authority=basis.authority if basis else "",
        reason=reason,
    )


def _day(day: date) -> str:
    return day_words(day.isoformat())


# --- the chart ---------------------------------------------------------------------------

_LINE, _LEFT, _WIDTH, _ROOM = 27, 96, 520, 60
"""Height of a line, where bars begin, the drawing's width, and the room right of the longest bar."""


def _rows(found: Forecast, today: date) -> list[tuple[str, str, Load]]:
    """Label, kind and load of each line."""
    years = [(str(year), "now" if year == today.year else "when", load) for year, load in found.years]
    rest = [
        ("later", "when", found.later),
        ("held", "never", found.held),
        ("no end yet", "never", found.without_end),
    ]
    return [*years, *rest]


def chart_of(lines: Sequence[tuple[str, str, int]]) -> Chart:
    """Bars for lines of label, kind and number of claims; the longest bar fills the room."""
    most = max((claims for _, _, claims in lines), default=0) or 1
    room = _WIDTH - _LEFT - _ROOM
    bars = tuple(
        Bar(label=label, y=8 + n * _LINE, width=round(room * claims / most, 1), claims=claims, kind=kind)
        for n, (label, kind, claims) in enumerate(lines)
    )
    said = ", ".join(f"{one.label}: {one.claims}" for one in bars if one.claims)
    return Chart(
        bars=bars,
        width=_WIDTH,
        height=16 + len(bars) * _LINE,
        left=_LEFT,
        words=f"Claims by the year in which they become due. {said}." if said else "No claims yet.",
    )


def due_words(page: RetentionPage) -> str:
    """The page's heading."""
    due, held = page.counts[ShownVerdicts.DUE], page.counts[ShownVerdicts.HELD]
    first = counted(due, "claim is", "claims are") + " due" if due else "No claim is due"
    return f"{first}; {held} {'is' if held == 1 else 'are'} held" if held else first
