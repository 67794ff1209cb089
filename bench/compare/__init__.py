"""Two sessions side by side."""
