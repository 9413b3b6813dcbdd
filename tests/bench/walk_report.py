"""Accuracy and calibration of the tags on simulated walks: `python tests/bench/walk_report.py [--walks N] [--seed S] [--only PART ...]`.

Prints the figures of docs/measurements.md, "Tags" and "The walk". Not a test: it asserts nothing. The
walks come from tests/support/support_walks.py, which shares no number with config/walk.toml; seeds 1 to 99
were used to develop the model, the report starts at 1000. `--calibrate` fits the lines that stand
in config/walk.toml, on seeds below 100, and prints them.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
sys.path.insert(0, str(Path(__file__).parents[2]))

import support_walks as made
from support_models import cards, shipped, words
from support_walks import ORDINARY, Kit, Persona, Walk
from walk_scores import Score, score_walks

from evidence.model import Facet
from evidence.tags.learning.fit import TrainingWalk, learn
from evidence.tags.learning.held_out import HeldOutFacet, calibrate
from evidence.tags.models import TagModels
from evidence.tags.reading.parser import BoardParser
from evidence.tags.suggest import TagOptions, tag_claim
from evidence.tags.walk.plan import Calibration

FACETS = ("kind", "role", "face", "component", "condition", "count")
HONEST = ("role", "face", "component", "condition")
SCENES = 0.95
"""Mean certainty of the simulated image network, which is right as often as it is sure. The shipped one
was right on 0.965 of held-out clusters and on 58 of 61 other real photos (docs/measurements.md)."""
LESS_SURE = 0.90
"""The same for a network that does worse on photos of another country."""


def tagged(walks: Sequence[Walk], models: TagModels, adjuster: str = "") -> list:
    """Results of tagging every walk."""
    options = TagOptions(adjuster=adjuster)
    return [tag_claim(w.photos, person={}, vocabulary=words(), models=models, options=options) for w in walks]


def line(name: str, score: Score) -> None:
    """One row: accuracy by facet, and calibration errors."""
    shares = "  ".join(f"{facet} {score.share(facet):.3f}" for facet in FACETS if score.asked.get(facet))
    errors = "  ".join(f"{facet} {score.ece(facet):.3f}" for facet in HONEST if score.sure.get(facet))
    print(f"{name:36} n={score.asked['role']:5}  {shares}  |  ECE {errors}", flush=True)


def populations() -> Iterator[tuple[str, list[Persona], Kit]]:
    """Every row of the table: the adjusters, and the evidence in the photos."""
    board = {"boards": 0.1, "misread": 0.02}
    for people, who in (("ordinary", [ORDINARY]), ("all sorts", [])):
        for name, kit in (
            ("no board", Kit()),
            ("no board, compass and GPS on 6 in 10", Kit(compass=0.6)),
            ("board on 1 in 10", Kit(**board)),
            ("board on 1 in 10, compass on 6 in 10", Kit(**board, compass=0.6)),
            ("board on every photo", Kit(boards=1.0, misread=0.02)),
        ):
            yield f"{people}: {name}", who, replace(kit, scenes=SCENES, vectors=True)


def accuracy(walks: int, seed: int) -> None:
    """Guesses of the models that ship, for adjusters who follow the plan's first style, and for all kinds."""
    print("\nGuesses as shipped (kind: role with close-up and no-damage proof taken together)")
    pooled = Score()
    for name, who, kit in populations():
        some = made.walks(seed, walks, kit, people=who)
        score = score_walks(some, tagged(some, shipped()))
        line(name, score)
        pooled.include(score)
    line("all rows together", pooled)
    for title, change in (
        ("Without the pictures' vectors", {"vectors": False}),
        ("With a less sure network", {"scenes": LESS_SURE}),
    ):
        print(title)
        for name, who, kit in populations():
            if name.endswith(": no board"):
                some = made.walks(seed, walks, replace(kit, **change), people=who)
                line(name, score_walks(some, tagged(some, shipped())))


def fit_lines(walks: int, seed: int) -> None:
    """The calibration that ships: one line a facet over all rows of the table, each row weighing the same."""
    plain = replace(shipped(), calibration={facet: Calibration() for facet in Facet})
    pooled = Score()
    for _, who, kit in populations():
        some = made.walks(seed, walks, kit, people=who)
        pooled.include(score_walks(some, tagged(some, plain)))
    for facet in HONEST:
        rows = [
            HeldOutFacet(Facet(facet), sure, sure, right, True, k)
            for k, (sure, right) in enumerate(pooled.sure[facet])
        ]
        fitted = calibrate(rows)
        print(f"{facet} = {{ slope = {fitted.slope:.2f}, offset = {fitted.offset:.2f} }}")


def stated(walks: int, seed: int) -> None:
    """Label cards: of what they state, how much is right, and how much of the truth they state."""
    right = asked = facets = 0
    some = made.walks(seed + 1, walks, Kit(cards=True, scenes=SCENES, vectors=True), cards=cards())
    for walk, results in zip(some, tagged(some, shipped()), strict=True):
        for photo, truth in zip(walk.photos, walk.truth, strict=True):
            if truth is None or truth.role == "other":
                continue
            for facet in Facet:
                value = results[photo.sha256].tags.get(facet)
                facets += bool(getattr(truth, facet.value))
                if value is not None and value.stated:
                    asked += 1
                    right += value.value == getattr(truth, facet.value)
    print(
        f"\nLabel cards: {right} of {asked} stated facets right ({right / asked:.2%}); {asked} of {facets} facets stated"
    )


def boards(many: int, seed: int) -> None:
    """The parser alone on boards whose characters are misread: right, missed and wrong facets."""
    print("\nBoards read into facets, by share of characters misread (right, not found, wrong; invented)")
    parser = BoardParser(words())
    rng = random.Random(seed)
    truths = [t for k in range(60) for t, _ in made.shots(rng, made.persona(rng, str(k)))]
    for misread in (0.0, 0.02, 0.04, 0.08, 0.15):
        count = {"right": 0, "missed": 0, "wrong": 0, "invented": 0}
        for _ in range(many):
            truth = rng.choice(truths)
            text = made.misread_text(rng, made.board(rng, truth), misread)
            reading = parser.read_text(text, 0.95)
            for facet in (Facet.FACE, Facet.COMPONENT, Facet.CONDITION, Facet.COUNT):
                value = getattr(truth, facet.value)
                value = (
                    ""
                    if value == "none" or (facet is Facet.COMPONENT and truth.component == "shingle")
                    else value
                )
                best = reading.best(facet)
                if value:
                    outcome = "missed" if best is None else "right" if best.value == value else "wrong"
                elif best is None or (facet is Facet.COMPONENT and truth.component == "shingle"):
                    continue
                else:
                    outcome = "invented"
                count[outcome] += 1
        asked = count["right"] + count["missed"] + count["wrong"]
        shares = ", ".join(f"{count[key] / asked:.3f}" for key in ("right", "missed", "wrong"))
        print(
            f"  {misread:4.0%} misread: {shares}; invented {count['invented'] / asked:.4f}  (n={asked})",
            flush=True,
        )


def confirmed(walk: Walk, limit: int) -> dict:
    """The first photos of a walk as a reviewer would confirm them."""
    out = {}
    for photo, truth in zip(walk.photos, walk.truth, strict=True):
        if truth is None or len(out) >= limit:
            continue
        facets = {Facet.ROLE: truth.role, Facet.FACE: truth.face}
        facets |= {
            Facet(name): getattr(truth, name) for name in ("component", "condition") if getattr(truth, name)
        }
        out[photo.sha256] = facets
    return out


def curve(who: Persona, kit: Kit, name: str, walks: int, seed: int) -> None:
    """Accuracy on unseen walks of one adjuster after some of the earlier ones' photos were confirmed."""
    train, unseen = (
        made.walks(seed + 2, 24, kit, people=[who]),
        made.walks(seed + 3, walks, kit, people=[who]),
    )
    for many in (0, 50, 200, 1000):
        left, training = many, []
        for k, walk in enumerate(train):
            # fifty photos are half of each of two claims: one claim alone teaches nothing
            some = confirmed(walk, min(left, 25) if many == 50 else left)
            if not some or (many == 50 and k > 1):
                break
            left -= len(some)
            training.append(TrainingWalk(photos=tuple(walk.photos), confirmed=some, adjuster=who.name))
        start = time.perf_counter()
        learned = learn(training, vocabulary=words(), start=shipped())
        seconds = time.perf_counter() - start
        line(
            f"{name}, {many:4} confirmed{'' if learned.kept or not many else ' (not kept)'}",
            score_walks(unseen, tagged(unseen, learned.models, who.name)),
        )
        print(f"{'':36} learned in {seconds:.1f} s; {learned.why}", flush=True)


def speed(seed: int) -> None:
    """Seconds for one claim of 600 photos."""
    for name, kit in (
        ("no place", Kit(boards=0.1, vectors=True)),
        ("compass and GPS on 6 in 10", Kit(boards=0.1, compass=0.6, vectors=True)),
    ):
        photos = [p for w in made.walks(seed, 14, kit, people=[ORDINARY]) for p in w.photos][:600]
        start = time.perf_counter()
        tag_claim(photos, person={}, vocabulary=words(), models=shipped())
        print(f"{len(photos)} photos in one claim, {name}: {time.perf_counter() - start:.2f} s")


def main() -> None:
    """Everything, in the order of the document."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--walks", type=int, default=80)
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument(
        "--only", nargs="+", choices=list(PARTS), default=list(PARTS), help="these parts alone"
    )
    parser.add_argument("--calibrate", action="store_true")
    given = parser.parse_args()
    if given.calibrate:
        fit_lines(given.walks, given.seed)
        return
    for part, measure in PARTS.items():
        if part in given.only:
            measure(given.walks, given.seed)


def learning(walks: int, seed: int) -> None:
    """The effect of confirmed photos of one adjuster's earlier claims on later ones."""
    print("\nLearning one adjuster's habits")
    kit = Kit(scenes=SCENES, vectors=True)
    curve(ORDINARY, kit, "ordinary", walks, seed)
    other = Persona(
        name="other way",
        clockwise=False,
        parts=("siding", "screen", "downspout", "gutter"),
        items_between=True,
    )
    curve(other, kit, "other way round", walks, seed)
    curve(other, replace(kit, compass=0.6), "other way, compass", walks, seed)


PARTS = {
    "cards": lambda walks, seed: stated(walks // 2, seed),
    "boards": lambda _, seed: boards(20_000, seed),
    "guesses": accuracy,
    "learning": learning,
    "speed": lambda _, seed: speed(seed),
}


if __name__ == "__main__":
    main()
