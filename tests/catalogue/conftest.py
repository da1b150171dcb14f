"""Makes the invented missions of the intake tests importable here."""

import importlib.util
import sys
from pathlib import Path

for _name, _file in (
    ("intake_kit", Path(__file__).parents[1] / "intake" / "kit.py"),
    ("catalogue_kit", Path(__file__).with_name("kit.py")),
    ("array_kit", Path(__file__).with_name("array_kit.py")),
):
    if _name not in sys.modules:
        _spec = importlib.util.spec_from_file_location(_name, _file)
        assert _spec is not None
        assert _spec.loader is not None
        _module = importlib.util.module_from_spec(_spec)
        sys.modules[_name] = _module
        _spec.loader.exec_module(_module)
