"""Camera cards, opened read-only: nothing is ever written to a card.

`volumes` finds and opens a card, `reading` lists and opens its files, `files` says what they are,
`copying` copies them into the store of objects and verifies the copies, `exif`, `exif_blocks` and `exif_tags`
read what the camera recorded, `ledger` records every step of an intake, `watch` reports new cards.
"""
