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
_THIN, _LEAST_CUT = "litf", 4
"""Letters that a line drawn over them hides, and how many letters of a word are left at least."""
_WORD = re.compile(r"[^\W_]+")
_FOREIGN = str.maketrans(
    "\u03b1\u03b2\u03b5\u03b7\u03b9\u03ba\u03bd\u03bf\u03c1\u03c4\u03c5\u03c6\u03c7\u0391\u0392\u0395\u0397\u0399\u039a\u039c\u039d\u039f\u03a1\u03a4\u03a7"
    "\u0430\u0432\u0435\u043a\u043c\u043d\u043e\u0440\u0441\u0442\u0443\u0445\u0410\u0412\u0415\u041a\u041c\u041d\u041e\u0420\u0421\u0422\u0425",
    "aBenikvoptuoxABEHIKMNOPTXaBekmHopcTyxABEKMHOPCTX",
)
"""Greek and Cyrillic letters of the shape of Latin ones: among Latin letters in one word they are these."""
_CLASS = {letter: group[0] for group in _LIKE for letter in group}


def mended(text: str) -> str:
    """Return a reading with words that have the shape of a trade word, and are none, set right; their case is kept."""
    return _WORD.sub(lambda m: _mended_word(_in_one_script(m[0])), text)


def _in_one_script(word: str) -> str:
    return word.translate(_FOREIGN) if any(c.isascii() and c.isalpha() for c in word) else word


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
    # The last letter lies under a line that runs across the word.
    longer = [plain + c for c in _THIN if plain + c in _KNOWN] if len(plain) >= _LEAST_CUT else []
    if len(longer) == 1:
        return word + (longer[0][-1].upper() if word.isupper() else longer[0][-1])
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
