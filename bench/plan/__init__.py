"""plan.toml: read, checked, written, changed."""
