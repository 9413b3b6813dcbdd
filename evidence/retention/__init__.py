"""How long a claim is kept, and how it is purged. In the order of the work:

1. `periods`, `facts`, `schedule`, `rule_file`: lengths of time, what is known of a claim, the rules, and their file.
2. `disposition`: is a claim kept, held or due on a day? `forecast` counts by year. Date arithmetic only.
3. `holds`, `clock`: which claims a hold covers; whether the computer's date can be trusted.
4. `purge`: make a plan, approve it, run it, certify it.
"""
