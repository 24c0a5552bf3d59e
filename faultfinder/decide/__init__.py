"""Decisions: which check next, what it costs, and what its results would mean."""
