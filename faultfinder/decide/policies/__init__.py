"""Which action next, a file a policy."""
