"""Keeps every claim's bag in step with the catalog, copies bags to the backup targets, and reads them back.

The catalog says what should be. A change that makes a bag out of date marks the bag in the same
commit, so after a kill at any instant a bag is either up to date or marked, and the next run builds it.

`bags` builds the marked bags from `originals` (where a file is now) and `sidecars` (its XMP).
`copies` records in which place each original was verified, `backup` copies bags to the targets,
`verify` reads every bag again, `custody_check` checks the custody log against the bags.

`record_files` writes what the catalog knows and no bag holds, `archive_files` copies it to the targets. `repair`
replaces bad files, `restore` brings a claim or an archive back from a target, `rebuild` makes the catalog anew.

With several stations: `station_heads` compares their logs, `station_debts` removes here what was purged at another one,
`station_sources` finds the folders that a rebuild reads.
"""
