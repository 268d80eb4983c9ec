"""Comparison of settings over many specimens; agreement of raters and instruments."""
