"""Figures from closed tickets."""
