"""The lead's page."""
