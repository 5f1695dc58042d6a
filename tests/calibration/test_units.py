"""Lengths as people write them; 1 in = 25.4 mm exactly (international inch, July 1959; NPL)."""

from __future__ import annotations

import pytest

from calibration import (
    UnitError,
    format_inches,
    format_uncertainty,
    parse_length_mm,
    parse_request,
    parse_size_mm,
    parse_tolerance,
)


@pytest.mark.parametrize(
    "text", ["1in", "1 in", '1"', "2.54cm", "25.4mm", "25.4 MM", "0.0254 m", 25.4, "1 inch", "2,54 cm"]
)
def test_one_inch_in_many_spellings_is_25_4_mm(text: str | float) -> None:
    assert parse_length_mm(text) == pytest.approx(25.4, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("3/8in", 9.525),
        ('1 1/2"', 38.1),
        ("1-1/2 in", 38.1),
        ("1½ in", 38.1),
        ("44in", 1117.6),
        ("2 yd", 1828.8),
        ("5/8\u2033", 15.875),
    ],
)
def test_fractions_of_an_inch_are_exact(text: str, mm: float) -> None:
    assert parse_length_mm(text) == pytest.approx(mm, abs=1e-12)


@pytest.mark.parametrize(
    "text", ["", "in", "one inch", "1", "-3mm", "3/0in", "1e5mm", "5 furlongs", "1 2 in", float("nan"), -1.0]
)
def test_nonsense_lengths_are_refused_with_an_example(text: str | float) -> None:
    with pytest.raises(UnitError, match="write it like"):
        parse_length_mm(text)


def test_sizes_take_the_unit_of_the_second_length() -> None:
    assert parse_size_mm("12x24in") == pytest.approx((304.8, 609.6))
    assert parse_size_mm("210 mm x 29.7cm") == pytest.approx((210, 297))
    assert parse_size_mm("12\u00d718in") == pytest.approx((304.8, 457.2))


@pytest.mark.parametrize("text", ["12in", "12x24", "x", "0x5in", "12x24x3in"])
def test_nonsense_sizes_are_refused_with_an_example(text: str) -> None:
    with pytest.raises(UnitError, match="12x24in"):
        parse_size_mm(text)


def test_an_uncertainty_is_never_written_as_none() -> None:
    assert [format_uncertainty(u) for u in (0.0, 0.0049, 0.0151, 1.2)] == ["0.01", "0.01", "0.02", "1.20"]


def test_inches_are_written_as_on_a_ruler() -> None:
    assert format_inches(38.1) == "1 1/2 in"
    assert format_inches(9.525) == "3/8 in"
    assert format_inches(304.8) == "12 in"
    assert format_inches(0.1) == "0 in"


@pytest.mark.parametrize("text", ["square=1in", "square=1 in", "square=25.4mm", "square=2.54cm"])
def test_a_square_of_one_inch_means_the_same_however_written(text: str) -> None:
    request = parse_request(text)
    assert request.kind == "square"
    assert parse_length_mm(request.size) == pytest.approx(25.4)


def test_a_misspelled_reference_gets_the_nearest_word() -> None:
    with pytest.raises(UnitError, match="did you mean square"):
        parse_request("sqare=1in")
    with pytest.raises(UnitError, match="choose one of"):
        parse_request("banana")


@pytest.mark.parametrize("text", ["square=0in", "square=big", "dpi", "dpi=0", "dpi=many", "mat=-1in"])
def test_a_reference_without_a_real_size_is_refused(text: str) -> None:
    with pytest.raises(UnitError):
        parse_request(text)


def test_a_tolerance_is_relative_or_absolute() -> None:
    assert parse_tolerance("0.1%") == (pytest.approx(0.001), None)
    assert parse_tolerance("0.1mm") == (None, pytest.approx(0.1))
    for bad in ("0%", "80%", "much", "0mm"):
        with pytest.raises(UnitError, match="write it like"):
            parse_tolerance(bad)
