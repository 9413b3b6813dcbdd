"""Files on a disk: errors that name the file, hashing, durable writes, verified copies, objects stored by digest.

`faults` turns an OSError into an error a person can act on. `hashing` computes digests from the
disk. `durable` writes and publishes files so that a power failure leaves each whole or absent.
`copying` copies one file and verifies the copy. `objects` is the store of files named by their digest.
"""
