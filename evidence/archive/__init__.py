"""Bags, their copies and the custody log: what outlives this program."""
