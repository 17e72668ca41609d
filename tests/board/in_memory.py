"""The board in memory, for tests: its parts are files of this folder that real MicroPython reads too.

There they find each other by bare names (`from memory_pins import ...`), so here they are loaded under these as well.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import Any


def load(name: str) -> Any:
    """Load a file of this folder under its bare name; once for all tests of a process."""
    if name in sys.modules:
        return sys.modules[name]
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


memory = load("memory_pins")
Stage = memory.Stage
