"""Pages as people write them: ``2,4-6``."""

from __future__ import annotations

import re

from calibration.errors import PictureError

_PART = re.compile(r"\s*(\d{1,6})\s*(?:[-\u2013]\s*(\d{1,6})\s*)?")
_GOOD = "write it like 2,4-6 (the first page is 1)"


def parse_pages(text: str) -> tuple[int, ...]:
    """Read a choice of pages.

    Parameters
    ----------
    text : str
        Numbers and rising ranges with commas between them.

    Returns
    -------
    tuple of int
        1-based page numbers in the order written, each once.

    Raises
    ------
    PictureError
        When it cannot be read, a range falls, or a page is 0.
    """
    pages: dict[int, None] = {}
    for part in text.split(","):
        match = _PART.fullmatch(part)
        if match is None:
            raise PictureError(f"cannot read the pages '{text}'; {_GOOD}")
        first = int(match[1])
        last = int(match[2]) if match[2] is not None else first
        if first < 1:
            raise PictureError(f"the pages '{text}' name page 0; {_GOOD}")
        if last < first:
            raise PictureError(f"the range {first}-{last} in the pages '{text}' runs backwards; {_GOOD}")
        pages.update(dict.fromkeys(range(first, last + 1)))
    return tuple(pages)


def choose_pages(text: str | None, count: int, *, file: str) -> tuple[int, ...]:
    """Return the 1-based pages of a file of ``count`` pages that were asked for, all of them when ``text`` is None.

    Raises
    ------
    PictureError
        When the choice cannot be read or names a page that is not there.
    """
    if text is None:
        return tuple(range(1, count + 1))
    pages = parse_pages(text)
    missing = [page for page in pages if page > count]
    if missing:
        has = "1 page" if count == 1 else f"{count} pages"
        raise PictureError(f"{file} has {has} and no page {missing[0]}; choose among 1-{count}")
    return pages
