"""A session's tables to fit.json."""
