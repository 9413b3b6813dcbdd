"""How long a claim is kept, and how it is purged. In the order of the work:

1. `schedule`: the retention schedule, rules read from TOML.
2. `disposition`: is a claim kept, held or due on a day? Date arithmetic only.
3. `addresses`: where a copy of a claim's photos can be.
4. `repository`: what a purge needs of the archive, as a protocol.
5. `plans`: the frozen plan, its approval and its progress, as files.
6. `purge`: make a plan, approve it, run it, certify it.
"""
