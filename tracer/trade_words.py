"""Words of the trade, and readings that differ from one of them only in letters of like shape.

``facirlg`` has the shape of ``facing`` and is no word; ``Callar`` that of ``Collar``. A reading is only ever changed to
a word of the list that is the one word of its shape, so names that are no trade words stay as they were read. The
classes of like letters are common practice in checking optical readings, no source.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from unicodedata import combining, normalize

_LIST = """
allowance apron armhole back band belt bib block bodice bottom brim cap center centre collar contrast corner crown
cuff cut diamond ease edge elastic extension fabric facing felt finished flap fly fold front fusible gather godet
grain gusset half handle hem hexagon hip hood inner insert inset interfacing interlining kite kimono left length
lengthen lining loop lower main mirrored mitten neck neckline notch outer overlay pair panel pattern petal piece
placket pleat pocket quarter raglan right ruffle seam self shorten shoulder side size skirt sleeve square stand
stitching straight strap strip tab template tie top triangle trouser trousers under underlap upper vest waist
waistband wedge welt wing yoke zip
"""
_WORDS = tuple(_LIST.split())
_PAIRS = (("rn", "m"), ("rl", "n"), ("ri", "n"), ("cl", "d"), ("vv", "w"), ("ii", "u"), ("li", "h"))
"""Two letters that look like one."""
_LIKE = ("aeco0", "ilt1jf", "uv", "hb", "gqy9", "s5")
"""Letters that look like each other where they are small or blurred."""
_LIKE_LETTERS, _LIKE_PAIRS = 6, 5
"""Words of fewer letters are left as they were read: there are too many words of each shape."""
_WORD = re.compile(r"[^\W_]+")
_CLASS = {letter: group[0] for group in _LIKE for letter in group}


def mended(text: str) -> str:
    """Return a reading with words that have the shape of a trade word, and are none, set right; their case is kept."""
    return _WORD.sub(lambda m: _mended_word(m[0]), text)


def _mended_word(word: str) -> str:
    plain = word.lower()
    if plain in _KNOWN or plain.rstrip("s") in _KNOWN:
        return word
    bare = "".join(c for c in normalize("NFKD", plain) if not combining(c))
    if bare != plain and bare in _KNOWN:
        # Specks on a letter are read as its accent.
        return bare.upper() if word.isupper() else bare.capitalize() if word[0].isupper() else bare
    for shape, table, least in ((_pairs, _BY_PAIRS, _LIKE_PAIRS), (_shape, _BY_SHAPE, _LIKE_LETTERS)):
        alike = table.get(shape(plain), ())
        if len(alike) == 1 and len(alike[0]) >= least:
            right = alike[0]
            return right.upper() if word.isupper() else right.capitalize() if word[0].isupper() else right
    return word


def _pairs(word: str) -> str:
    for pair, letter in _PAIRS:
        word = word.replace(pair, letter)
    return word


def _shape(word: str) -> str:
    return "".join(_CLASS.get(c, c) for c in _pairs(word))


def _table(shape: Callable[[str], str]) -> dict[str, tuple[str, ...]]:
    out: dict[str, tuple[str, ...]] = {}
    for word in _WORDS:
        out[shape(word)] = (*out.get(shape(word), ()), word)
    return out


_KNOWN = frozenset(_WORDS)
_BY_PAIRS, _BY_SHAPE = _table(_pairs), _table(_shape)
