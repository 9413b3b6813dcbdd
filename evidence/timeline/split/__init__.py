"""The split of one working day into claims: a hidden Markov model with a boundary between houses.

`observations` turns the day into arrays. `gaps`, `sheets`, `positions` and `stages` give the log-likelihoods
of the four kinds of evidence, `sheet_text` reads a claim from a sheet's text, `site_estimates` learns
where the houses are. `time_alone` compares the gaps on a day that has nothing but times. `segmentation`
computes the posterior and the most probable path, `one_house_each` shares claims between houses next door, `between_houses` takes
out photos that positions show at neither house.
`unsupported` marks photos that the evidence leaves in doubt. `split_day` joins them, and `reasons` puts the evidence for
each boundary into words.
"""
