"""Everything the archive knows, in a database. `store.Catalog` joins the parts:

1. `tables`, `migrations`, `opening`, `owners`, `leases`, `base`, `faults`: the database, its shape, whose it is, and its errors.
2. `originals`, `intakes`, `segments`, `tags`, `photos`: kept files, the cards that they came on, their places and tags.
3. `claims`, `decisions`, `decision_json`, `holds`, `users`, `tallies`: claims, what people decided of them, and their counts.
4. `keeping`, `pushes`, `read_backs`: bags, copies at backup targets, and when each was read back.
5. `records`: rows as plain data, for record files and a rebuild. `quarantine`, `scrubbing`: what a purge takes out.
6. `stations`, `debts`: machines that share the catalog, what each has, and what it is still to remove after a purge.
"""
