"""What the archive concludes from its photos: read from the catalog, decided in a pure room, stored.

1. `split_input`, `splitting`: which claim each photo belongs to (`evidence.timeline` decides).
2. `tagging`, `models`: what each photo shows (`evidence.tags` decides), and the models that it is guessed with.
3. `refresh`: both for the days and claims that changed, in one transaction.
4. `coverage`, `tallies`, `left_out`: which required shots a claim's photos prove (`evidence.coverage` decides).
5. `learning`: the models refitted to confirmed tags.
"""
