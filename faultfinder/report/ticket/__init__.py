"""Tickets, lists and the bench sheet."""
