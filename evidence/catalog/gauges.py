"""Counts of the whole catalog for the board's metrics; each is read from few or short rows."""

from __future__ import annotations

from sqlalchemy import and_, distinct, func, select

from evidence.catalog import tables as t
from evidence.catalog.base import Database
from evidence.catalog.totals import TRAY


class Gauges:
    """How many of what there are now. No name, number or address leaves here."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def intakes(self) -> dict[str, int]:
        """Cards by what the last run of each came to: `safe`, `not_safe` to erase, or `unfinished`."""
        row = t.intake.c
        last = row.superseded_by.is_(None)
        with self._database.transaction() as db:
            safe = db.execute(select(func.count()).where(and_(row.told_safe.is_(True), last))).scalar_one()
            others, finished = db.execute(
                select(func.count(), func.count(row.finished_at)).where(and_(row.told_safe.is_(False), last))
            ).one()
        return {"safe": safe, "not_safe": finished, "unfinished": others - finished}

    def claims(self) -> dict[str, int]:
        """Claims by state."""
        query = select(t.claim.c.state, func.count()).group_by(t.claim.c.state)
        with self._database.transaction() as db:
            return {str(state): int(many) for state, many in db.execute(query)}

    def photos(self) -> dict[str, int]:
        """Files by state: `settled` in a claim, `to_confirm` there, or `unassigned`."""
        total = t.claim_total.c
        query = select(
            func.coalesce(func.sum(total.files), 0), func.coalesce(func.sum(total.to_confirm), 0)
        ).where(total.claim != TRAY)
        tray = select(func.coalesce(func.sum(total.files), 0)).where(total.claim == TRAY)
        with self._database.transaction() as db:
            files, to_confirm = db.execute(query).one()
            unassigned = db.execute(tray).scalar_one()
        return {
            "settled": int(files - to_confirm),
            "to_confirm": int(to_confirm),
            "unassigned": int(unassigned),
        }

    def waiting_for_analysis(self) -> int:
        """Files of cards whose intake has not ended that were not analysed yet, other kinds of file too."""
        query = (
            select(func.count(distinct(t.sighting.c.sha256)))
            .join(t.intake, t.intake.c.intake == t.sighting.c.intake)
            .outerjoin(t.described, t.described.c.sha256 == t.sighting.c.sha256)
            .where(t.intake.c.finished_at.is_(None), t.intake.c.superseded_by.is_(None))
            .where(t.intake.c.told_safe.is_(False), t.described.c.sha256.is_(None))
        )
        with self._database.transaction() as db:
            return int(db.execute(query).scalar_one())
