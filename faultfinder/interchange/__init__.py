"""Networks of others: BIF, XMLBIF, pgmpy objects, skeletons of model files."""
