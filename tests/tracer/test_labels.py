"""What a label says, whoever read it."""

import pytest

from tracer.labels import TextLine, parse_label, plain


def label(*texts: str):
    return parse_label([TextLine(text=t, height=5.0 if i == 0 else 3.6) for i, t in enumerate(texts)])


@pytest.mark.parametrize(
    ("note", "count", "mirrored", "fold"),
    [
        ("cut 2", 2, False, False),
        ("CUT 24", 24, False, False),
        ("Cut 1 on fold", 1, False, True),
        ("cut 1 on the fold", 1, False, True),
        ("cut 2 on fold", 2, False, True),
        ("cut 1 pair", 2, True, False),
        ("cut 2 pairs", 4, True, False),
        ("cut 2 mirrored", 2, True, False),
        ("cut 1 + 1 mirrored", 2, True, False),
        ("cut l on fold", 1, False, True),
        ("cut-1-on fold", 1, False, True),
        ("cut two", 2, False, False),
        ("2x", 2, False, False),
        ("x 4", 4, False, False),
        ("qut 3", 3, False, False),
        ("CUTONEPAIR", 2, True, False),
        ("Cut one pair", 2, True, False),
    ],
)
def test_cutting_notes_are_understood(note, count, mirrored, fold):
    read = label("Bib", note)
    assert (read.cut.count, read.cut.mirrored, read.cut.fold) == (count, mirrored, fold)
    assert read.name == "Bib"
    assert read.says_cut


@pytest.mark.parametrize(
    ("lines", "material"),
    [
        (("Facing", "cut 2 interfacing"), "interfacing"),
        (("Facing", "cut 2", "lining"), "lining"),
        (("Lining pocket flap", "cut 2"), ""),
        (("Facing", "\u00c7UT 1 OF LINING"), "lining"),
    ],
)
def test_the_material_is_read_and_a_name_is_not_taken_for_one(lines, material):
    read = label(*lines)
    assert read.cut.material == material
    assert read.name == lines[0]


@pytest.mark.parametrize(
    ("second", "count"), [("+ 1 mirrored", 2), ("pair", 2), ("mirrored pair", 2), ("on fold", 1), ("of lining", 1)]
)
def test_a_note_may_go_on_in_the_next_line(second, count):
    read = label("Bib", "cut 1", second)
    assert read.cut.count == count
    assert read.cut.mirrored == (count == 2)
    assert read.name == "Bib"


def test_the_seam_allowance_and_the_size_are_no_names():
    read = label("Sleeve", "size 12", 'seam allowance 3/8" included')
    assert read.name == "Sleeve"
    assert read.size == "12"
    assert read.allowance_mm == pytest.approx(9.525)


def test_the_name_is_the_largest_lettering():
    lines = [
        TextLine(text="upper edge", height=3),
        TextLine(text="Front bodice", height=6),
        TextLine(text="A", height=9),
    ]
    assert parse_label(lines).name == "Front bodice"


def test_no_words_leave_the_defaults():
    read = parse_label([])
    assert read.name == ""
    assert (read.cut.count, read.cut.mirrored, read.cut.fold, read.cut.confidence) == (1, False, False, 1.0)
    assert not read.says_cut


def test_unsure_readings_are_not_used():
    assert parse_label([TextLine(text="Bib", confidence=0.2)]).name == ""


def test_the_note_is_as_sure_as_its_least_sure_line():
    lines = [TextLine(text="cut 2", confidence=0.9), TextLine(text="on fold", confidence=0.7)]
    assert parse_label(lines).cut.confidence == pytest.approx(0.7)


@pytest.mark.parametrize(
    ("read_as", "name"),
    [
        ("\u03b2lock A", "Block A"),
        ("Bl\u03c6ck", "Block"),
        ("\u0391\u0393\u0391\u03a0\u0397", "\u0391\u0393\u0391\u03a0\u0397"),
    ],
)
def test_letters_of_another_script_within_a_word_are_those_they_look_like(read_as, name):
    assert label(read_as).name == name


def test_a_cross_beside_a_figure_does_not_outdo_what_is_said_about_cutting():
    lines = [TextLine(text=text, height=10.0) for text in ("1 x", "Pocket", "cut 1 pair")]
    label = parse_label(lines)
    assert (label.name, label.cut.count, label.cut.mirrored) == ("Pocket", 2, True)
    assert parse_label(lines[:2]).cut.count == 1
    assert parse_label([TextLine(text="4 x", height=10.0), lines[1]]).cut.count == 4


def test_a_cut_whose_count_was_not_read_is_no_part_of_the_name() -> None:
    def line(text: str, y: float) -> TextLine:
        return TextLine(text=text, height=10, at=(50, y), box=((0, y - 5), (60, y - 5), (60, y + 5), (0, y + 5)))

    assert parse_label([line("Collar", 0), line("cut", 11)]).name == "Collar"
    assert parse_label([line("Collar", 0), line("stand", 11)]).name == "Collar stand"


@pytest.mark.parametrize(("read_as", "name"), [('Back bodice"', "Back bodice"), ("Yoke\u201d", "Yoke")])
def test_what_looks_like_inches_behind_a_letter_is_none(read_as: str, name: str) -> None:
    assert parse_label([TextLine(text=read_as)]).name == name


def test_inches_behind_a_figure_stay() -> None:
    assert plain('Band 3"') == 'Band 3"'


@pytest.mark.parametrize(("read_as", "count", "mirrored"), [("cu 1 pair", 2, True), ("gcut 3", 3, False)])
def test_a_cut_that_something_touches_is_one(read_as: str, count: int, mirrored: bool) -> None:
    label = parse_label([TextLine(text="Facing", height=12), TextLine(text=read_as, height=8)])
    assert (label.name, label.cut.count, label.cut.mirrored) == ("Facing", count, mirrored)
