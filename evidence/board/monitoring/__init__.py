"""Metrics and health of the board, on a port of their own. Neither holds a name, an address or a claim number."""
