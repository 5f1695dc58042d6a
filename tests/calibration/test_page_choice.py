"""Pages as people write them."""

from __future__ import annotations

import pytest

from calibration.errors import PictureError
from calibration.page_choice import choose_pages, parse_pages


@pytest.mark.parametrize(
    ("text", "pages"),
    [
        ("1", (1,)),
        ("2,4-6", (2, 4, 5, 6)),
        (" 2 , 4 - 6 ", (2, 4, 5, 6)),
        ("3-3", (3,)),
        ("5,1", (5, 1)),
        ("1-3,2-4", (1, 2, 3, 4)),
        ("4\u20136", (4, 5, 6)),
    ],
)
def test_good_choices_are_read_in_the_order_written(text: str, pages: tuple[int, ...]) -> None:
    assert parse_pages(text) == pages


@pytest.mark.parametrize("text", ["", "a", "6-4", "0", "0-2", "1,,2", "1-", "-3", "1.5", "2;4", "9999999", "1-2-3"])
def test_bad_choices_are_refused_with_an_example(text: str) -> None:
    with pytest.raises(PictureError, match="2,4-6") as caught:
        parse_pages(text)
    assert "\n" not in str(caught.value)


def test_without_a_choice_every_page_is_taken() -> None:
    assert choose_pages(None, 3, file="a.pdf") == (1, 2, 3)


def test_a_page_that_is_not_there_is_named_with_what_there_is() -> None:
    with pytest.raises(PictureError, match=r"a\.pdf has 3 pages and no page 99; choose among 1-3"):
        choose_pages("1,99", 3, file="a.pdf")
