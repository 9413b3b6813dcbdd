"""The writing in a photo into facets, from characters to meaning.

`lexicon` lists the known spellings; `confusion` has the costs of misread letters;
`decoder` finds the most probable words of a misread board; `parser` turns lines into words with the
help of these three; `semantics` resolves the words into one value for each facet.
"""
