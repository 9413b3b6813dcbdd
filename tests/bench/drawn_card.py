"""What is guessed of the demo's drawn card as if no label card had been shown: `python tests/bench/drawn_card.py`.

The card is drawn by demo_photos, whose pictures share nothing with tests/support/support_walks.py, and seen by
the real networks; then the label cards' photos are left out and their codes forgotten, and sheets and photos of
no claim are left aside. Boards in the photos of one claim are read. Counted are the photos whose truth has the
facet. Not a test: it asserts nothing.
"""

from __future__ import annotations

import hashlib
import sys
import tempfile
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "support")]

from support_models import shipped, words  # noqa: E402

from demo_photos.card import build_card  # noqa: E402
from evidence.cards.exif import read_facts  # noqa: E402
from evidence.model import ClaimId, Facet, MediaKind, PhotoRecord, Sha256  # noqa: E402
from evidence.sight.look import LookRequest, look_all  # noqa: E402
from evidence.tags.suggest import tag_claim  # noqa: E402

ASIDE = ("divider", "label", "other")
FACETS = (Facet.ROLE, Facet.FACE, Facet.COMPONENT)
PLACELESS = {"gps": None, "direction": None}


def main() -> None:
    """Draw, look, forget the label cards, guess, count."""
    with tempfile.TemporaryDirectory() as name:
        card = Path(name) / "card"
        files = [
            f for f in build_card(ROOT / "demo_photos" / "scenario.toml", card).files if f.claim and f.role
        ]
        digests = {f.card_path: digest(card / f.card_path) for f in files}
        requests = {
            digests[f.card_path]: LookRequest(
                path=card / f.card_path, sha256=digests[f.card_path], kind=MediaKind.PHOTO
            )
            for f in files
        }
        looks = dict(look_all(list(requests.values())))
        facts = {f.card_path: read_facts(card / f.card_path, MediaKind.PHOTO) for f in files}
    for title, forget in (("with compass and position", {}), ("without them", PLACELESS)):
        right: dict[str, int] = defaultdict(int)
        asked: dict[str, int] = defaultdict(int)
        for claim in dict.fromkeys(f.claim for f in files):
            mine = [f for f in files if f.claim == claim and f.role not in ASIDE]
            photos = [
                PhotoRecord(
                    sha256=Sha256(f"{digests[f.card_path]}-{k}"),
                    name=f.card_path,
                    card_path=f.card_path,
                    claim=ClaimId(claim),
                    order=k,
                    facts=replace(facts[f.card_path], **forget),
                    look=replace(looks[digests[f.card_path]], labels=(), dividers=()),
                )
                for k, f in enumerate(mine)
            ]
            tagged = tag_claim(photos, person={}, vocabulary=words(), models=shipped())
            for photo, truth in zip(photos, mine, strict=True):
                for facet in FACETS:
                    value = getattr(truth, facet.value)
                    if value:
                        guess = tagged[photo.sha256].tags.get(facet)
                        asked[facet] += 1
                        right[facet] += guess is not None and guess.value == value
        print(f"{title}: " + ", ".join(f"{facet.value} {right[facet]} of {asked[facet]}" for facet in FACETS))


def digest(path: Path) -> Sha256:
    """The file's SHA-256."""
    return Sha256(hashlib.sha256(path.read_bytes()).hexdigest())


if __name__ == "__main__":
    main()
