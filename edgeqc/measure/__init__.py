"""Measurands of a cut face."""
