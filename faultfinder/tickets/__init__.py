"""Tickets: what happened to a machine in the shop, as a log of events."""
