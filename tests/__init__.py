"""Tests go by the models of an earlier version, kept beside them, unless they say otherwise.

So what they say about engine, commands and learning stays as it was when the models that come
along change; those are held to account by `test_families.py` and `test_trade_rules.py`.
"""

import os
from pathlib import Path

MODELS = Path(__file__).parent.parent / "models"
MODELS_BEFORE = Path(__file__).parent / "models_before"

# As many tests at once as there are cores: none of them spreads over several.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("FAULTFINDER_MODELS", str(MODELS_BEFORE))
