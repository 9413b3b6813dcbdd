"""The walk round a house as a hidden Markov model: its states are the steps of the walk plan.

`plan` reads the plan; `model` makes transition probabilities of it; `emission` computes
likelihoods of the steps from each photo, with `shot_head`, `similarity` and `bearings` for pictures and places;
`chain` runs the passes along the photos; `posterior` fuses all evidence of one claim; `marginals` adds the
posterior up into probabilities of facet values.
"""
