"""The photo evidence archive: from a camera card to proof that lasts, and ends when it must."""
