"""What each photo of a claim shows, as facets with a source, a probability and a reason.

As the data goes:

1. `vocabulary` holds the words of the facets and the label cards (config/tags.toml).
2. `label_cards` turns label cards and claim sheets into stated facets.
3. `reading` turns the writing in a photo into facet values.
4. `walk` is a hidden Markov model of an inspection (config/walk.toml): what writing, pixels and place
   say of each photo becomes likelihoods, and these become the posterior of every photo.
5. `guesses` turns the posterior into facet values with reasons.
6. `suggest` runs 2 to 5 over one claim: one tag a photo.
7. `learning` refits the models to confirmed tags and checks them on held-out claims.
"""
