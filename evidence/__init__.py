"""The photo evidence archive: copies, files, checks, keeps and purges the photos of property claims."""

__version__ = "0.1.0"
