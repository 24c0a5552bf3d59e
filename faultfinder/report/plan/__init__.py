"""Plans as text and as a page."""
