"""Delete every copy of a claim's photos, by a frozen plan and two people, and certify it.

Three steps, each by a person: `planning` freezes what is due, `approval` holds a second person's approval of that plan,
`run` checks again and moves every copy into quarantine; after the plan's days a run deletes them, and until then
`taking_back` brings all of it back. This is file deletion, not media sanitization. In the order of the work:

1. `addresses`: where a copy of a claim's photos can be. `repository`: what a purge needs of the archive, as a protocol.
2. `plans`: what a plan says. `plan_json`: the plan as bytes with a digest. `plan_files`, `stored`: its files.
3. `planning`, `approval`: make a plan, approve it.
4. `progress`: how far a run has come. `purge_run`, `last_check`, `run`: the run, and what must hold before each removal.
5. `certifying`: certificate, tombstone and custody entry. `released`: digests of purged files, for backups.
"""
