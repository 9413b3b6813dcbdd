"""Bags, their copies and the custody log, in open formats that can be read without this program.

A bag: `names` (safe file names), `bagread` (reading), `bagcheck` (checking), `bags` (building and
removing) by way of `assembly` and `exchange`. Its copies: `targets`, `places` (which disk),
`digest_search` (the check after a purge), `copies` (may a card be erased?). The custody log:
`custody`, `custody_lines`, `custody_proof`, `merkle`.
"""
