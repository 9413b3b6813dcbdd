"""What the office has to know today: what is in trouble, what waits for somebody, and what is in order."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from shlex import quote

from evidence.archive.custody import Entry
from evidence.board.claim_list import WAITING, ListView, Need, list_claims
from evidence.board.desk.purges import PlanState, plans
from evidence.board.view_models import day_words
from evidence.catalog.intakes import IntakeRow
from evidence.catalog.keeping import RETIRED
from evidence.errors import PurgeRefusedError, counted
from evidence.filing.owed import list_owed
from evidence.filing.station_debts import by_station, owed_parts
from evidence.model import Duty
from evidence.office.date_check import require_right_date
from evidence.office.retention import review_dispositions
from evidence.office.rules import floor_requests
from evidence.office.target_list import TargetState, TargetView, named_places
from evidence.settings import ARCHIVE_PLACE
from evidence.workspace import Workspace

READ_BACK = timedelta(days=365)
"""A copy that was not read back for longer is overdue: once a year, common practice, no source."""
DRILL = timedelta(days=365)
"""So is a drill."""
NAMED = 3
"""Most cards, claims or plans that one sentence names."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One thing to do: what is the matter, and the page or the command for it."""

    words: str
    """One sentence."""
    more: str = ""
    """Why it matters, or what to look at first."""
    link: str = ""
    link_words: str = ""
    command: str = ""


@dataclass(slots=True)
class Today:
    """The page."""

    trouble: list[Task] = field(default_factory=list)
    waiting: list[Task] = field(default_factory=list)
    in_order: list[str] = field(default_factory=list)
    """What was looked at and needs nothing."""

    def note(self, tasks: Sequence[Task], fine: str, *, trouble: bool = True) -> None:
        """Add tasks of one kind, or the sentence that says that there are none."""
        (self.trouble if trouble else self.waiting).extend(tasks)
        if not tasks and fine:
            self.in_order.append(fine)


def today_of(workspace: Workspace) -> Today:
    """Check copies, cards, claims, purges and holds; reads the catalog and the targets' marks, and no photo."""
    now, page = workspace.now(), Today()
    places = named_places(workspace)
    page.note(list(_bad_copies(workspace)), "No copy is known to be bad.")
    page.note(list(_absent(places)), "Every backup disk that stays here is connected.")
    page.note(list(_cards(workspace)), "Every card that was taken in may be erased.")
    unread = list(_overdue(places, now, workspace.settings.safety.read_back_days))
    page.note(unread, "Every copy was read back within a year.")
    page.note(list(_failed_drills(workspace)), "")
    if len(places) > 1:
        page.note(list(_drills(workspace, now)), "Each disk had a drill within a year.", trouble=False)
    page.note(list(_date(workspace)), "The computer's date agrees with the custody log.")
    page.note(list(_purges(workspace)), "No claim is due, and no purge plan waits.", trouble=False)
    page.note(list(_second_words(workspace)), "", trouble=False)
    page.note(list(_claims(workspace)), "No claim waits for a reviewer or the office.", trouble=False)
    page.note(list(_people(workspace)), "", trouble=False)
    return page


# --- copies ------------------------------------------------------------------------------


def _bad_copies(workspace: Workspace) -> Iterator[Task]:
    bad = Counter(one.place for one in workspace.catalog.keeping.found_bad() if RETIRED not in one.place)
    last = next((one for one in workspace.custody.newest("verified") if one.action == "verified"), None)
    if bad:
        where = ", ".join(f"{many} at {place}" for place, many in sorted(bad.items()))
        yield Task(
            words=f"{counted(bad.total(), 'copy is', 'copies are')} bad: {where}.",
            more="A bad copy does not count. `repair` replaces it from a good one.",
            command="evidence repair",
        )
    elif last and (last.details.get("bad") or last.details.get("missing")):
        yield Task(
            words=f"The last read-back, on {_day(last.at)}, found {last.details['bad']} bad and "
            f"{last.details['missing']} missing.",
            more="Repair what is bad or connect what is missing, then read back again.",
            command="evidence verify",
        )


def _absent(places: Sequence[TargetView]) -> Iterator[Task]:
    if len(places) == 1:
        yield Task(
            words="No backup disk is named.",
            more="The photos are in one place only.",
            command="evidence target add NAME PATH --off-computer",
        )
    for one in places:
        if one.state is TargetState.OTHER_DISK:
            yield Task(
                words=f"Another disk is connected where {one.name} should be.",
                more=f"Connect the disk that is marked as {one.name}, or give the new disk its name.",
                command=f"evidence target replace {quote(one.name)} PATH",
            )
        elif one.state is TargetState.DECLARED_LOST:
            yield Task(
                words=f"One person states that {one.name} is lost; another person has to confirm it.",
                more="Until then it blocks every purge.",
                command=f"evidence target lost {quote(one.name)} --confirm --actor NAME",
            )
        elif one.state is TargetState.NOT_CONNECTED and not one.off_computer:
            yield Task(
                words=f"{one.name} is not connected.",
                more=one.why or "Connect it; then copy what is new.",
                command="evidence backup",
            )
        elif one.state is TargetState.READY and not one.held.copies and one.name != ARCHIVE_PLACE:
            yield Task(words=f"{one.name} holds no copy yet.", command="evidence backup")


def _overdue(places: Sequence[TargetView], now: datetime, away_days: int) -> Iterator[Task]:
    for one in places:
        oldest = one.held.oldest_read
        if oldest is None:
            continue
        days = (now - oldest).days
        away = one.state is TargetState.NOT_CONNECTED
        if away and days > away_days:
            yield Task(
                words=f"{one.name} has copies that were last read back {days} days ago.",
                more=f"It is not connected, so after {away_days} days they make no card safe. Connect it.",
                command="evidence verify",
            )
        elif now - oldest > READ_BACK:
            yield Task(
                words=f"{one.name} has copies that were last read back on {_day(oldest)}.",
                more="Read for half an hour at a time; each run continues where the last one ended.",
                command="evidence verify --for 30m",
            )


def _drills(workspace: Workspace, now: datetime) -> Iterator[Task]:
    """The last drill of each target that the settings name, when it is too long ago."""
    names = [one.name for one in workspace.settings.target]
    last = _last_drills(workspace)
    for name in names:
        entry = last.get(name)
        if entry is None or now - entry.at > DRILL:
            when = f"the last drill was on {_day(entry.at)}" if entry else "there was no drill yet"
            yield Task(
                words=f"{name}: {when}.",
                more="Only a restore proves that a backup works.",
                command=f"evidence drill --target {quote(name)}",
            )


def _last_drills(workspace: Workspace) -> dict[str, Entry]:
    """The last drill of each target that the settings name; reads the log from its end until each is found."""
    missing = {one.name for one in workspace.settings.target}
    found: dict[str, Entry] = {}
    for entry in workspace.custody.newest("drill") if missing else ():
        if entry.action == "drill" and entry.subject in missing:
            found[entry.subject] = entry
            missing.remove(entry.subject)
            if not missing:
                break
    return found


def _failed_drills(workspace: Workspace) -> Iterator[Task]:
    """Targets whose last drill had findings."""
    names = {one.name for one in workspace.settings.target}
    last = _last_drills(workspace)
    for name, entry in last.items():
        if name in names and entry.details.get("failed"):
            yield Task(
                words=f"The last drill at {name}, on {_day(entry.at)}, had "
                f"{counted(int(entry.details['failed']), 'finding')}.",
                more="Repair what is bad, then run the drill again.",
                link="/desk/drills",
                link_words="Drills",
                command=f"evidence drill --target {quote(name)}",
            )


def _cards(workspace: Workspace) -> Iterator[Task]:
    runs = [
        run for run in workspace.catalog.photos.own_intakes() if not run.superseded_by and not run.told_safe
    ]
    lost = [run for run in runs if run.safe_told_at]
    if lost:
        yield Task(
            words=f"{counted(len(lost), 'card was', 'cards were')} safe to erase and no longer "
            f"{'is' if len(lost) == 1 else 'are'}: {_labels(lost)}.",
            more="Keep the card if you still have it.",
            command="evidence cards",
        )
    others = [run for run in runs if not run.safe_told_at]
    if others:
        yield Task(
            words=f"{counted(len(others), 'card is', 'cards are')} not safe to erase: {_labels(others)}.",
            more="A card is safe when every file on it was read back in enough places.",
            command="evidence cards",
        )


def _labels(runs: Sequence[IntakeRow]) -> str:
    named = [f"{run.label} of {_day(run.started_at)}" for run in runs[:NAMED]]
    return ", ".join(named) + (f" and {len(runs) - NAMED} more" if len(runs) > NAMED else "")


# --- claims ------------------------------------------------------------------------------

_FOR_A_REVIEWER = WAITING[Duty.REVIEWER]


def _claims(workspace: Workspace) -> Iterator[Task]:
    listed = list_claims(workspace, duty=Duty.OFFICE, shown=ListView(), page=1)
    waiting = sum(listed.counts[need] for need in _FOR_A_REVIEWER)
    if listed.unassigned:
        yield Task(
            words=f"{counted(listed.unassigned, 'photo belongs', 'photos belong')} to no claim yet.",
            link="/photos?number=unassigned",
            link_words="State their claim",
        )
    if waiting:
        yield Task(
            words=f"{counted(waiting, 'claim waits', 'claims wait')} for a reviewer.",
            more=f"{listed.counts[Need.READY]} of them only for the sign-off."
            if listed.counts[Need.READY]
            else "",
            link="/",
            link_words="List of claims",
        )
    if back := listed.counts[Need.BACK]:
        yield Task(
            words=f"{counted(back, 'claim waits', 'claims wait')} for its adjuster."
            if back == 1
            else f"{back} claims wait for their adjusters.",
            link="/?need=back",
            link_words="Show them",
        )
    if signed := listed.counts[Need.SIGNED]:
        yield Task(
            words=f"{counted(signed, 'claim is', 'claims are')} signed off and not closed.",
            more="The retention period begins when you close a claim.",
            link="/desk/claims?show=signed",
            link_words="Close claims",
        )


def _purges(workspace: Workspace) -> Iterator[Task]:
    due = len(review_dispositions(workspace).due)
    if due:
        yield Task(
            words=f"{counted(due, 'claim is', 'claims are')} due: the period has ended and no hold is in force.",
            more="Check with counsel before you purge anything.",
            link="/desk/retention?show=due",
            link_words="Show them",
        )
    for plan in plans(workspace):
        what = f"The plan of {_day(plan.made)} for {counted(len(plan.claims), 'claim')}"
        if plan.state is PlanState.TO_APPROVE:
            yield Task(
                words=f"{what} waits for the approval of somebody else than {plan.by}.",
                more="Check with counsel before you approve a purge.",
                link=plan.path,
                link_words="Read the plan",
            )
        elif plan.state is PlanState.QUARANTINE and plan.until and plan.until > workspace.now():
            continue  # nothing to do before its day
        elif plan.command:
            yield Task(
                words=f"{what} is {plan.state.value}.",
                more="Check with counsel before you destroy anything.",
                link=plan.path,
                link_words="Read the plan",
                command=plan.command,
            )
    owed = Counter(one.target for one in list_owed(workspace))
    for target, claims in sorted(owed.items()):
        yield Task(
            words=f"{target} may still hold copies of {counted(claims, 'purged claim')}.",
            more="Connect it, and a backup deletes them. If it was destroyed, two people say so.",
            command="evidence backup",
        )
    for part in by_station(owed_parts(workspace)):
        where = "here" if part.here else "there"
        yield Task(
            words=f"{part.words}.",
            more=f"The next intake or backup {where} does, or this command {where}, once no hold covers a claim.",
            command="evidence purge finish",
        )


def _date(workspace: Workspace) -> Iterator[Task]:
    try:
        require_right_date(workspace, by_index=True)
    except PurgeRefusedError as trouble:
        yield Task(words=trouble.message, more=trouble.hint)


def _second_words(workspace: Workspace) -> Iterator[Task]:
    """What one person asked for and another has to confirm."""
    for hold in workspace.catalog.holds.all(active_only=True):
        if hold.lift_asked_by:
            yield Task(
                words=f"{hold.lift_asked_by} asks to lift hold {hold.number}; another person has to agree.",
                more=hold.reason,
                link="/desk/holds",
                link_words="Holds",
            )
    for one in floor_requests(workspace):
        if one.agreed_by is None and one.ended_by is None:
            yield Task(
                words=f"{one.asked_by} asks that rule {one.rule} may keep only {counted(one.years, 'year')}.",
                more=f"{one.why}. Check with counsel before another person confirms it.",
                command=f"evidence rules except {quote(one.rule)} --confirm --actor NAME",
            )


def _people(workspace: Workspace) -> Iterator[Task]:
    if not workspace.catalog.users.all():
        yield Task(
            words="Nobody is registered: people only give their names.",
            more="A purge by two registered people proves that they were two.",
            command="evidence people add NAME --duty office",
        )


def _day(at: datetime) -> str:
    return day_words(at.astimezone().date().isoformat())
