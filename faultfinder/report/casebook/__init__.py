"""How a model did on real cases, as pages."""
