"""Makes the shared helpers importable by the tests of this folder."""

import importlib.util
import sys
from pathlib import Path

_SPEC = importlib.util.spec_from_file_location("intake_kit", Path(__file__).with_name("kit.py"))
assert _SPEC is not None
assert _SPEC.loader is not None
_MODULE = importlib.util.module_from_spec(_SPEC)
sys.modules["intake_kit"] = _MODULE
_SPEC.loader.exec_module(_MODULE)
