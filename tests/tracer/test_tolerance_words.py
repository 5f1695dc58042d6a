"""What is said of places where the tolerance of the fit could not be held (invented figures)."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

from tracer.curves.settle import Exceeded
from tracer.pipeline import TraceOptions, _exceeded_words


def test_each_place_is_named_once_and_three_at_most() -> None:
    places = [(87.1, 79.2), (87.3, 78.9), (12.0, 30.0), (50.0, 5.0), (60.0, 7.0)]
    fit = SimpleNamespace(exceeded=[Exceeded(at=at, distance_mm=0.16) for at in places])
    words = _exceeded_words(cast("Any", fit), TraceOptions(tolerance_mm=0.1))
    assert [w.split(" mm")[0] for w in words] == ["near (87, 79)", "near (12, 30)", "near (50, 5)"]
    assert all("0.16 mm" in w and "0.1 mm asked for" in w for w in words)
