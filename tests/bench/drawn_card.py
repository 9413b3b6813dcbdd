"""What is guessed of the demo's drawn card as if no label card had been shown: `python tests/bench/drawn_card.py`.

The card is drawn by demo_photos, whose pictures share nothing with tests/support/support_walks.py, and seen by
the real networks; then the label cards' photos are left out and their codes forgotten, and sheets and photos of
no claim are left aside. Boards in the photos of one claim are read. Counted are the photos whose truth has the
facet. Not a test: it asserts nothing.
"""

from __future__ import annotations

import itertools
import sys
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "support")]

from support_models import shipped, words  # noqa: E402

from demo_photos.card import build_card  # noqa: E402
from evidence.cards.exif import read_facts  # noqa: E402
from evidence.model import ClaimId, Facet, MediaKind, PhotoRecord, Sha256  # noqa: E402
from evidence.sight.batch import look_all  # noqa: E402
from evidence.sight.request import LookRequest  # noqa: E402
from evidence.tags.suggest import tag_claim  # noqa: E402

ASIDE = ("divider", "label", "other")
FACETS = (Facet.ROLE, Facet.FACE, Facet.COMPONENT)
PLACELESS = {"gps": None, "direction": None}


def main() -> None:
    """Draw, look, forget the label cards, guess, count."""
    with tempfile.TemporaryDirectory() as name:
        card = Path(name) / "card"
        truth = build_card(ROOT / "demo_photos" / "scenario.toml", card)
        files = {Sha256(f"{k:064x}"): each for k, each in enumerate(truth.files) if each.claim and each.role}
        looks = dict(
            look_all(
                [
                    LookRequest(path=card / each.card_path, sha256=key, kind=MediaKind.PHOTO)
                    for key, each in files.items()
                ]
            )
        )
        facts = {key: read_facts(card / each.card_path, MediaKind.PHOTO) for key, each in files.items()}
    for title, forget in (("with compass and position", {}), ("without them", PLACELESS)):
        right: Counter[Facet] = Counter()
        asked: Counter[Facet] = Counter()
        for claim in truth.claims:
            photos = [
                PhotoRecord(
                    sha256=key,
                    name=each.card_path,
                    card_path=each.card_path,
                    claim=ClaimId(claim),
                    order=order,
                    facts=replace(facts[key], **forget),
                    look=replace(looks[key], labels=(), dividers=()),
                )
                for order, (key, each) in enumerate(files.items())
                if each.claim == claim and each.role not in ASIDE
            ]
            tagged = tag_claim(photos, person={}, vocabulary=words(), models=shipped())
            for key, facet in itertools.product(tagged, FACETS):
                if value := getattr(files[key], facet.value):
                    guess = tagged[key].tags.get(facet)
                    asked[facet] += 1
                    right[facet] += guess is not None and guess.value == value
        print(f"{title}: " + ", ".join(f"{facet.value} {right[facet]} of {asked[facet]}" for facet in FACETS))


if __name__ == "__main__":
    main()
