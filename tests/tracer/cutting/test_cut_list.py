"""Cut lists: what is read, what is refused and how it is said, and the published schema."""

from __future__ import annotations

import json
import re
import tomllib
from importlib import resources
from pathlib import Path as FilePath
from typing import Any

import jsonschema
import pytest

from calibration import MM_PER_INCH
from tests.tracer.cutting.pieces import pattern, piece, rectangle
from tracer.cutting import reader
from tracer.cutting.make import make_cut
from tracer.cutting.reader import read_cut_list
from tracer.cutting.toml_lines import toml_lines
from tracer.errors import CutListError

SCHEMA = json.loads(resources.files("tracer.schema").joinpath("cut-list.schema.json").read_text(encoding="utf-8"))

GOOD = """
# an apron
[[piece]]
from = "Bib"
name = "Bib lining"
count = 4
pair = true
together = "bib"
on = "interfacing"
trim = [
  { edge = "right", by = "3/8in" },   # the seam that will not be sewn
  { edge = 1, by = 5 },
]
unfold = { edge = "left", true = true }

  [piece.allowance]
  all = "1/4in"
  corners = "squared"
  includes = { all = "5/8in", edges = { bottom = 0 } }
  edges = { bottom = "1in", "2" = { width = "10mm", corners = "mirrored" } }

[[piece]]
from = "Pocket"
join = { piece = "Side", edge = "right", to = "left", drop = "3/8in", match = "start", mirror = true }
split = { from = "top 40%", to = "bottom 40%", allowance = '1/4"', names = ["one", "other"] }
unfold = "left"
allowance = "1/4in"

[[piece]]
from = "Side"
split = { along = "line 1" }

[[seam]]
name = "side seam"
one = { piece = "Bib lining", edge = "right" }
other = [{ piece = "one", edge = 2 }, { piece = "other", edge = "left" }]
ease = "1/8in"
turned = true
"""


def pieces() -> Any:
    return pattern(
        piece(rectangle(120.0, 300.0), name="Bib"),
        piece(rectangle(80.0, 200.0, 300.0), name="Pocket", id="p2"),
        piece(rectangle(60.0, 200.0, 500.0), name="Side", id="p3"),
    )


def refused(text: str, *, make: bool = True) -> str:
    def act() -> None:
        cut_list = read_cut_list(text, file="list.toml")
        if make:
            make_cut(pieces(), cut_list)

    with pytest.raises(CutListError) as caught:
        act()
    message = str(caught.value)
    assert "\n" not in message
    return message


def test_a_full_list_is_read_into_values() -> None:
    one, two, three = read_cut_list(GOOD).pieces
    assert (one.source, one.name, one.count, one.pair, one.together, one.on) == (
        "Bib", "Bib lining", 4, True, "bib", "interfacing",
    )  # fmt: skip
    assert [(t.edge, t.by_mm) for t in one.trims] == [("right", 3 / 8 * MM_PER_INCH), ("1", 5.0)]
    assert one.unfold is not None
    assert (one.unfold.edge, one.unfold.true) == ("left", True)
    assert one.allowance.edges["2"].corners == "mirrored"
    assert one.allowance.edges["bottom"].width_mm == MM_PER_INCH
    assert one.allowance.includes_mm == 5 / 8 * MM_PER_INCH
    assert one.allowance.includes_edges == {"bottom": 0.0}
    assert two.joins[0].match == "start"
    assert two.split is not None
    assert two.split.names == ("one", "other")
    assert two.allowance.all_mm == MM_PER_INCH / 4
    assert three.split is not None
    assert three.split.along == "line 1"
    (seam,) = read_cut_list(GOOD).seams
    assert (seam.ease_mm, seam.turned, len(seam.other)) == (MM_PER_INCH / 8, True, 2)


def test_a_full_list_follows_the_published_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    jsonschema.validate(tomllib.loads(GOOD), SCHEMA)


@pytest.mark.parametrize(
    ("definition", "keys"),
    [
        ("piece", reader.PIECE_KEYS),
        ("trim", reader.TRIM_KEYS),
        ("join", reader.JOIN_KEYS),
        ("unfold", reader.UNFOLD_KEYS),
        ("split", reader.SPLIT_KEYS),
        ("allowance", reader.ALLOWANCE_KEYS),
        ("edge_allowance", reader.EDGE_ALLOWANCE_KEYS),
        ("includes", reader.INCLUDES_KEYS),
        ("seam", reader.SEAM_KEYS),
        ("seam_side", reader.SEAM_SIDE_KEYS),
    ],
)
def test_the_schema_and_the_reader_know_the_same_words(definition: str, keys: tuple[str, ...]) -> None:
    assert sorted(SCHEMA["$defs"][definition]["properties"]) == sorted(keys)
    assert SCHEMA["$defs"]["corners"]["enum"] == list(reader.CORNER_STYLES)


BAD_FORM = [
    ('[[piece]]\nform = "Bib"\n', 2, "has no 'form'; allowed are from, name,", "did you mean 'from'?"),
    ('[[piece]]\nname = "x"\n', 1, "needs 'from'", ""),
    ('[[piece]]\nfrom = "Bib"\nunflod = "left"\n', 3, "has no 'unflod'", "did you mean 'unfold'?"),
    ('[[peice]]\nfrom = "Bib"\n', 1, "has no 'peice'; allowed are piece, seam", "did you mean 'piece'?"),
    ('[[piece]]\nfrom = "Bib"\ncount = 0\n', 3, "'count' is a whole number from 1 to 10000, not 0", ""),
    ('[[piece]]\nfrom = "Bib"\ncount = 2.5\n', 3, "whole number", ""),
    ('[[piece]]\nfrom = "Bib"\npair = "yes"\n', 3, "'pair' is true or false, not 'yes'", ""),
    ('[[piece]]\nfrom = "Bib"\ntrim = [\n{ edge = "left", by = "1in" },\n{ edge = "right", by = "-3/8in" }]\n', 5,
     "'by' cannot be negative (-3/8in)", ""),
    ('[[piece]]\nfrom = "Bib"\ntrim = { edge = "left", by = -2 }\n', 3, "'by' cannot be negative", ""),
    ('[[piece]]\nfrom = "Bib"\ntrim = { edge = "left", by = 0 }\n', 3, "'by' must be more than 0", ""),
    ('[[piece]]\nfrom = "Bib"\nallowance = { all = "-1/4in" }\n', 3, "'all' cannot be negative", ""),
    ('[[piece]]\nfrom = "Bib"\nallowance = { all = "wide" }\n', 3, "cannot read the length 'wide'", ""),
    ('[[piece]]\nfrom = "Bib"\nallowance = { all = "1in", corners = "mitered" }\n', 3,
     "is one of mitred, squared, rounded, trimmed, mirrored", "did you mean 'mitred'?"),
    ('[[piece]]\nfrom = "Bib"\nsplit = { from = "top 40%" }\n', 3, "needs either 'from' and 'to', or 'along'", ""),
    ('[[piece]]\nfrom = "Bib"\n[[piece]]\nfrom = 7\n', 4, "'from' is a word in quotes, not 7", ""),
    ('[piece]\nfrom = "Bib"\n', 1, "write each piece under its own [[piece]]", ""),
    ('[[piece]]\nfrom = "Bib"\n[[seam]]\none = { piece = "Bib", egde = "left" }\nother = []\n', 4, "has no 'egde'",
     "did you mean 'edge'?"),
    ('[[piece]]\nfrom = "Bib"\n[[piece.trim]]\nedge = "left"\nby = 1\n[[piece.trim]]\nedge = "left"\nbuy = "1in"\n', 8,
     "has no 'buy'", "did you mean 'by'?"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "line", "says", "near"), BAD_FORM)
def test_a_list_of_bad_form_is_refused_with_its_line_and_what_is_allowed(
    text: str, line: int, says: str, near: str
) -> None:
    message = refused(text, make=False)
    assert message.startswith(f"list.toml line {line}: ")
    assert says in message
    assert message.endswith(near)
    with pytest.raises(jsonschema.ValidationError):
        # A length's words are read by the reader alone; the schema knows its first character only.
        jsonschema.validate(tomllib.loads(text), SCHEMA)


BAD_MATTER = [
    ('[[piece]]\nfrom = "Bibb"\n', 2, "there is no traced piece 'Bibb'", "did you mean 'Bib'?"),
    ('[[piece]]\nfrom = "Bib"\nunfold = "lift"\n', 3, "there is no edge 'lift'; the edges are 1 (top), 2 (right),",
     "did you mean 'left'?"),
    ('[[piece]]\nfrom = "Bib"\ntrim = { edge = 9, by = "1in" }\n', 3, "there is no edge '9'", ""),
    ('[[piece]]\nfrom = "Bib"\n\nallowance = { all = "10in" }\n', 4, "is larger than the piece", ""),
    ('[[piece]]\nfrom = "Bib"\nallowance = { includes = "3in" }\n', 3, "the allowance is larger than the piece", ""),
    ('[[piece]]\nfrom = "Bib"\nallowance = { all = "1/4in", edges = { botom = "1in" } }\n', 3, "no edge 'botom'",
     "did you mean 'bottom'?"),
    ('[[piece]]\nfrom = "Bib"\njoin = { piece = "Bib", edge = "left", to = "right" }\n', 3, "be joined to itself",
     'write unfold = "left"'),
    ('[[piece]]\nfrom = "p1"\njoin = { piece = "Bib", edge = "left", to = "right" }\n', 3, "be joined to itself",
     'write unfold = "left"'),
    ('[[piece]]\nfrom = "Bib"\njoin = { piece = "Pockt", edge = "left", to = "right" }\n', 3,
     "there is no traced piece 'Pockt'", "did you mean 'Pocket'?"),
    ('[[piece]]\nfrom = "Pocket"\njoin = { piece = "Side", edge = "left", to = "rihgt" }\n', 3,
     "of 'Side': there is no edge 'rihgt'", "did you mean 'right'?"),
    ('[[piece]]\nfrom = "Bib"\ntrim = { edge = "left", by = "120mm" }\n', 3, "nothing would be left of the piece",
     "choose a smaller width"),
    ('[[piece]]\nfrom = "Bib"\n[[piece]]\nfrom = "Pocket"\nname = "Bib"\n', 4,
     "two pieces are called 'Bib' (the first is on line 2)", "give one another name"),
    ('[[piece]]\nfrom = "Bib"\n[[piece]]\nfrom = "p1"\n', 4, "two pieces are called 'Bib'", "give one another name"),
    ('[[piece]]\nfrom = "Bib"\nsplit = { from = "top 40%", to = "tops 40%" }\n', 3, "there is no edge 'tops'",
     "did you mean 'top'?"),
    ('[[piece]]\nfrom = "Bib"\nsplit = { from = "top 40%", to = "bottom 40%", names = ["a", "a"] }\n', 2,
     "two pieces are called 'a'", "give one another name"),
    ('[[piece]]\nfrom = "Bib"\n[[seam]]\none = { piece = "Bib", edge = "left" }\nother = { piece = "Bin", edge = 1 }',
     5, "no piece of the list is called 'Bin'", "did you mean 'Bib'?"),
    ('[[piece]]\nfrom = "Bib"\n[[seam]]\none = { piece = "Bib", edge = "lefty" }\nother = { piece = "Bib", edge = 1 }',
     4, "there is no edge 'lefty'", "did you mean 'left'?"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "line", "says", "near"), BAD_MATTER)
def test_a_list_that_does_not_fit_the_pieces_is_refused_with_its_line(
    text: str, line: int, says: str, near: str
) -> None:
    message = refused(text)
    assert message.startswith(f"list.toml line {line}: ")
    assert says in message
    assert message.endswith(near)


def test_text_that_is_no_toml_is_refused_with_the_place() -> None:
    assert "line 2" in refused("[[piece]]\nfrom = Bib\n", make=False)
    assert "holds no [[piece]]" in refused("", make=False)


def test_a_name_that_two_traced_pieces_have_needs_an_id() -> None:
    twins = pattern(piece(rectangle(10.0, 20.0)), piece(rectangle(10.0, 20.0, 50.0), id="p2"))
    with pytest.raises(CutListError, match="2 traced pieces are called 'Bib'; use an id: p1, p2"):
        make_cut(twins, read_cut_list('[[piece]]\nfrom = "Bib"\n'))
    assert make_cut(twins, read_cut_list('[[piece]]\nfrom = "p2"\n')).made[0].piece.name == "Bib"


def test_lines_are_found_through_comments_strings_and_nesting() -> None:
    text = (
        "# a = 1\n"
        'a = "# no comment"  # b = 2\n'
        'b.c = """one\ntwo"""\n'
        "\n"
        '[t."x.y"]\n'
        "d = [ 1, # first\n"
        "  { e = 'f', g = [true,\n"
        "     2025-11-25] },\n"
        "]\n"
        "[[u]]\n[[u.v]]\nh = 1\n[[u.v]]\nh = 2\n[[u]]\n[[u.v]]\nh = 3\n"
    )
    lines = toml_lines(text)
    assert lines["a",] == 2
    assert lines["b", "c"] == 3
    assert lines["t", "x.y", "d"] == 7
    assert lines["t", "x.y", "d", 1, "e"] == 8
    assert lines["t", "x.y", "d", 1, "g", 1] == 9
    assert lines["u", 0, "v", 1, "h"] == 15
    assert lines["u", 1, "v", 0, "h"] == 18


def test_the_lists_in_the_guide_can_be_read() -> None:
    guide = (FilePath(__file__).parents[3] / "docs" / "cutting.md").read_text(encoding="utf-8")
    lists = re.findall(r"```toml\n(.*?)```", guide, flags=re.DOTALL)
    assert len(read_cut_list(lists[0]).pieces) == 5
    assert len(read_cut_list('[[piece]]\nfrom = "Front"\n' + lists[1]).seams) == 1
    for example in re.findall(r"^\| `([a-z]+ = [^`]+)` \|", guide, flags=re.MULTILINE):
        start = "" if example.startswith("from") else 'from = "Bib"\n'
        assert read_cut_list(f"[[piece]]\n{start}{example}\n").pieces
