"""What the office does. In the order of a claim's life:

1. `first_setup`, `settings_file`, `target_list`, `targets`: begin an archive, change its settings and backup targets.
2. `claim_list`, `assignments`: read the office's list of claims and load it.
3. `printing`: divider sheets and label cards for the adjusters.
4. `people`, `second_person`: who may log in, and who may confirm what another person asks.
5. `health`: is the archive in order today?
6. `events`, `holds`, `rules`, `retention`: what happened to a claim, which claims are held, by which rules, and what is due.
7. `purging`: plan, approve and run a purge, or take it back, on what `evidence.retention` decides. `date_check` compares
   the computer's date with the log, `purge_repository` is the archive as a purge sees it, `claim_copies` finds and removes
   copies, `quarantine` sets them aside, `traces` and `owed_copies` handle what else names a claim or may hold its
   copies, `purge_views` shows plans.
"""
