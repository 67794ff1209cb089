"""A fit to what to change."""
