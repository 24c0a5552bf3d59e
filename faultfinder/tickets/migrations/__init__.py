"""How the tables came to be as they are; run by `faultfinder store upgrade` only."""
