"""Which questions stand between a claim and its decision, and in which order. Values in, values out."""
