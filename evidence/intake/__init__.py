"""What happens when a card goes in. `pipeline.take_in` calls the steps in this order:

1. `copy_card`: copy every file into the intake area, verify it, account for it in the ledger.
2. `entering`, while the rest is copied: enter the files in the catalog, and `describe` the new photos: read the camera's
   facts and analyse the pixels.
3. `evidence.analysis.refresh`: split the days by claim and tag the photos.
4. `evidence.filing`: build the bags and copy them to the backup targets.
5. `pipeline.judge_card`: decide whether the card may be erased.

`watching` takes in each card that is connected.
"""
