"""Which required shots a claim's photos prove, and which are missing. Values in, values out; no disk or clock.

In the order in which data passes through:

* `list_file` holds the tables of a list's TOML file; `requirements` checks them against the vocabulary and
  makes a `ShotList` (`shots`). `explain` writes such a list in plain English.
* `check` is the entry: a list, a claim and its photos in; a `CoverageReport` (`report`) out. It prepares each
  photo and matches it with what a shot asks for (`match`), then decides whether the matching photos suffice
  (`evaluate`), where nearly equal photos count once (`doubles`).
* `flags` lists what else a reviewer should know about the photos.
* `to_shoot` turns what is missing into the adjuster's list, in walking order, with the safety note.
"""
