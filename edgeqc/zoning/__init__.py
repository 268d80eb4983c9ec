"""Zones of a cut face: texture, the naming model, the ordered partition."""
