"""Figures, pages and tables of a specimen's findings."""
