"""Models as text, page and graph."""
