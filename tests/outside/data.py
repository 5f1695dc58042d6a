"""Where data made by others is found: variable TRACEWHEEL_OUTSIDE, or ``../shared/outside`` beside the repository."""

from __future__ import annotations

import os
from pathlib import Path

import pytest


def outside_folder(name: str) -> Path:
    """Return the folder of one set of outside data, or skip the test saying plainly that it is not there."""
    root = Path(os.environ.get("TRACEWHEEL_OUTSIDE", Path(__file__).parents[3] / "shared" / "outside"))
    folder = root / name
    if not folder.is_dir():
        pytest.skip(f"outside data '{name}' is not here; set TRACEWHEEL_OUTSIDE to the folder that holds it")
    return folder
