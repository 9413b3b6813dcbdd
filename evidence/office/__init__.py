"""What the office does. In the order of a claim's life:

1. `assignments`: load the office's list of claims.
2. `printing`: divider sheets and label cards for the adjusters.
3. `people`: who may log in to the review page.
4. `retention`: close and reopen claims, place and lift holds, see what is due.
5. `purging`: plan, approve and run a purge, on what `evidence.retention` decides.
"""
