"""Find pictures that are alike among millions, by their 64-bit perceptual hashes:

1. `hash_index`: the index, exact within a Hamming radius.
2. `index_file`: the index as one file, so that a program starts without building it.
3. `turning`: the hash of the same picture turned or mirrored.
4. `archive_index`: the index of one archive, kept in step with its catalog.
"""
