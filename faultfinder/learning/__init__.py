"""Better figures of a model from closed tickets: MAP estimates by EM, and what they rest on."""
