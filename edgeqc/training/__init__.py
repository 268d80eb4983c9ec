"""Fitting of the two networks that edgeqc ships, from phantoms and seeds alone.

Needs the extra ``train``; nothing in the measuring chain imports this folder.
"""
