"""A model judged: what it can tell apart, and what its advice hangs on."""
