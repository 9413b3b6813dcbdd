"""Simulates offices that confirm photographs of held-out sources, and what learning them does to the scene head.

Used by tests/bench/scene_report.py (all sources) and tests/sight/test_scene_learning.py (one part, seconds).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scene_fit import SEEN, Rows, head_of, summary_of

from evidence.analysis.learning import REHEARSED
from evidence.model import SceneKind
from evidence.sight.scene_head import KINDS, SceneHead, refit
from evidence.sight.scene_rehearsal import draw
from evidence.sight.scene_step import Floats

SITE = 40
"""Fewest photographs of a source for an office that has this site alone."""
ASKED = 10
"""Fewest photographs of a site that are not confirmed."""
MIXTURES = {
    "one site": None,
    "any kind": frozenset(SEEN),
    "no other": frozenset(SEEN) - {SceneKind.OTHER},
    "no fixture": frozenset(SEEN) - {SceneKind.FIXTURE},
    "houses alone": frozenset({SceneKind.HOUSE}),
}
"""What an office confirms: photographs that are surely of these kinds, from half of the held-out sources."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Shipped:
    """A head as it would ship without the held-out part, and what it rehearses."""

    head: SceneHead
    rehearsed: Floats
    held_out: Rows

    @classmethod
    def without(cls, rows: Rows, out: np.ndarray, temperature: float) -> Shipped:
        """Fitted to the rows that are not `out`."""
        rest = rows[~out]
        rehearsed, _ = draw(summary_of(rest), REHEARSED, seed=1)
        return cls(head=head_of(rest, temperature), rehearsed=rehearsed, held_out=rows[out])


@dataclass(frozen=True, kw_only=True, eq=False)
class Outcome:
    """Of one office: right or not, (n,) of bool each, before and after it learned."""

    own: tuple[np.ndarray, np.ndarray]
    """Other photographs of its own sources, of kinds that it confirmed."""
    others: tuple[np.ndarray, np.ndarray]
    """Photographs of the second file, of sources that are neither its own nor in the fit."""
    kinds: np.ndarray
    """Index in SEEN of each of the latter, roof and shingle as roof; -1 where several are right."""


def right(head: SceneHead, rows: Rows) -> np.ndarray:
    """(n,) of bool; roof and shingle count as one kind, gauge as other."""
    home = {SceneKind.SHINGLE: SceneKind.ROOF, SceneKind.GAUGE: SceneKind.OTHER}
    columns = np.array([SEEN.index(home.get(kind, kind)) for kind in KINDS])
    roof, shingle = SEEN.index(SceneKind.ROOF), SEEN.index(SceneKind.SHINGLE)
    fits = rows.fits.copy()
    fits[:, roof] |= fits[:, shingle]
    return fits[np.arange(len(rows)), columns[head.probabilities(rows.vectors).argmax(axis=1)]]


def kinds_of(rows: Rows) -> np.ndarray:
    """Index in SEEN of each photograph's kind, roof and shingle as roof; -1 where several are right."""
    fits = rows.fits.copy()
    roof, shingle = SEEN.index(SceneKind.ROOF), SEEN.index(SceneKind.SHINGLE)
    fits[:, roof] |= fits[:, shingle]
    fits[:, shingle] = False
    return np.where(fits.sum(axis=1) == 1, fits.argmax(axis=1), -1)


def offices(shipped: Shipped, mixture: str, many: int, *, seed: int) -> Iterator[Outcome]:
    """Each office of this mixture in the held-out part, after `many` confirmed photographs (fewer if it has fewer)."""
    rng = np.random.default_rng(seed)
    rows = shipped.held_out
    names, sizes = np.unique(rows.source[~rows.first], return_counts=True)
    sure = rows.fits.sum(axis=1) == 1
    if mixture == "one site":
        for name in names[sizes >= SITE]:
            mine = rng.permutation(np.flatnonzero(rows.source == name))
            shown, rest = np.split(mine, [min(many, len(mine) - ASKED)])
            yield _learned(shipped, shown, rest, (rows.source != name) & ~rows.first)
        return
    own = np.isin(rows.source, rng.permutation(names)[: len(names) // 2])
    allowed = np.array([kind in (MIXTURES[mixture] or ()) for kind in SEEN])
    fitting = own & sure & allowed[rows.fits.argmax(axis=1)]
    shown = rng.permutation(np.flatnonzero(fitting))[:many]
    if len(shown) >= many * 7 // 10:
        rest = np.setdiff1d(np.flatnonzero(own), shown)
        yield _learned(shipped, shown, rest, ~own & ~rows.first)


def familiar_offices(shipped: Shipped, mixture: str, many: int, seed: int) -> Iterator[Outcome]:
    """The office of this mixture whose photographs are single ones of the held-out part; the others are asked."""
    rows = shipped.held_out
    kinds, kept = kinds_of(rows), MIXTURES[mixture]
    allowed = np.flatnonzero([kept is not None and kind >= 0 and SEEN[kind] in kept for kind in kinds])
    if len(allowed) < many + 2 * ASKED:
        return
    shown = np.random.default_rng(seed).permutation(allowed)[:many]
    rest = np.setdiff1d(np.arange(len(rows)), shown)
    yield _learned(shipped, shown, rest, np.isin(np.arange(len(rows)), rest))


def _learned(shipped: Shipped, shown: np.ndarray, rest: np.ndarray, others: np.ndarray) -> Outcome:
    rows = shipped.held_out
    taught = [frozenset(SEEN[at] for at in np.flatnonzero(fits)) for fits in rows.fits[shown]]
    head = refit(shipped.head, rows.vectors[shown], taught, rehearsed=shipped.rehearsed)
    confirmed = rows.fits[shown].any(axis=0)
    own, far = rows[rest[(rows.fits[rest] & confirmed).any(axis=1)]], rows[others]
    return Outcome(
        own=(right(shipped.head, own), right(head, own)),
        others=(right(shipped.head, far), right(head, far)),
        kinds=kinds_of(far),
    )


def falls(outcomes: list[Outcome]) -> dict[SceneKind, float]:
    """How much less often each kind is right after learning, on sources that the offices did not confirm."""
    kinds = np.concatenate([one.kinds for one in outcomes])
    before = np.concatenate([one.others[0] for one in outcomes])
    after = np.concatenate([one.others[1] for one in outcomes])
    return {
        SEEN[at]: float(before[kinds == at].mean() - after[kinds == at].mean())
        for at in np.unique(kinds[kinds >= 0])
    }
