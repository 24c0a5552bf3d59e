"""Beliefs: exact posteriors of a model given evidence."""
