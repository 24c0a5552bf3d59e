"""Tickets in and out of files."""
