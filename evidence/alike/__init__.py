"""Find pictures that are alike among millions, by their 64-bit perceptual hashes:

1. `hash_index`: the index, exact within a Hamming radius.
2. `index_file`: the index as one file, so that a program starts without building it.
"""
