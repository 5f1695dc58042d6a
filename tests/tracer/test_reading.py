"""Words read from pictures of lettering: turned, upside down, slanted, on two lines.

The lettering is drawn with the fonts that OpenCV carries, which share nothing with the reader or with the fixtures.
"""

import math
from dataclasses import replace
from importlib import resources

import cv2
import numpy as np
import pytest

from calibration import CalibrateOptions, calibrate
from calibration.intake import read_pictures
from calibration.request import parse_request
from tests.tracer.sheet_drawing import BODICE, Drawing
from tracer.labels import TextLine, parse_label
from tracer.pipeline import TraceOptions, trace
from tracer.reading import engine, read
from tracer.reading.engine import getting_ready
from tracer.reading.models import can_read_words
from tracer.reading.places import Region, lines_axes
from tracer.reading.read import read_words, without_repeats
from tracer.reading.service import READ
from tracer.search import find
from tracer.search.marks_text import TextBlock
from tracer.search.text_turn import ink_points, text_turn
from tracer.trade_words import mended

needs_reader = pytest.mark.skipif(not can_read_words(), reason="the extra 'words' is not installed")

LABEL = ("Side panel", "cut 2", "lining")


def lettering(turn_deg: float, lines=LABEL) -> tuple[np.ndarray, np.ndarray]:
    """Return a picture with a label turned clockwise about its middle, and the corners of the label."""
    level = np.full((700, 700, 3), 240, np.uint8)
    for k, words in enumerate(lines):
        cv2.putText(level, words, (240, 310 + 52 * k), cv2.FONT_HERSHEY_DUPLEX, 1.2, (20, 20, 20), 2, cv2.LINE_AA)
    matrix = cv2.getRotationMatrix2D((350, 350), -turn_deg, 1.0)
    picture = cv2.warpAffine(level, matrix, (700, 700), borderValue=(240, 240, 240))
    ink = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) < 140
    row, column = np.nonzero(ink)
    return picture, np.column_stack([column, row]).astype(float)


def region_of(points: np.ndarray, turn_rad: float) -> Region:
    own = points @ lines_axes(turn_rad).T
    (u0, v0), (u1, v1) = own.min(axis=0), own.max(axis=0)
    return Region(box=(u0, v0, u1, v1), glyph_px=26.0, turn_rad=turn_rad, letters=20)


@pytest.mark.parametrize("turn_deg", [0, 20, 64, 90, 117])
def test_the_direction_of_lines_is_told_from_their_ink(turn_deg):
    _, points = lettering(turn_deg)
    off = math.degrees(text_turn(points, 26.0)) - turn_deg
    assert abs((off + 90) % 180 - 90) < 3.0


def test_dashes_through_words_do_not_turn_them():
    mask = np.zeros((200, 400), np.uint8)
    glyphs = []
    for k in range(6):
        cv2.putText(mask, "naekso"[k], (40 + 40 * k, 120), cv2.FONT_HERSHEY_DUPLEX, 1.2, 255, 3)
        glyphs.append((38 + 40 * k, 90, 32, 34))
    for y in (5, 55, 130, 170):
        mask[y : y + 26, 300:304] = 255
        glyphs.append((300, y, 4, 26))
    block = TextBlock(box=(0, 0, 400, 200), glyphs=np.array(glyphs, np.int32), height=30.0)
    points = ink_points([block], mask)
    assert points[:, 0].max() < 295
    assert abs(text_turn(points, 30.0)) < math.radians(3)


@needs_reader
@pytest.mark.parametrize("turn_deg", [0, 90, 180, 270, 33, 205])
def test_a_label_is_read_whichever_way_it_is_turned(turn_deg):
    picture, points = lettering(turn_deg)
    lines = read_words(picture, [region_of(points, text_turn(points, 26.0))])
    label = parse_label(lines)
    assert label.name == "Side panel"
    assert (label.cut.count, label.cut.material) == (2, "lining")
    first = np.array(lines[0].box)
    way = math.degrees(math.atan2(*(first[1] - first[0])[::-1]))
    assert abs((way - turn_deg + 180) % 360 - 180) < 5.0


@needs_reader
def test_a_place_taken_the_wrong_way_is_looked_at_across():
    picture, points = lettering(0)
    lines = read_words(picture, [region_of(points, math.pi / 2)])
    assert lines[0].text == "Side panel"


def test_no_place_is_looked_at_twice_the_same_way(monkeypatch):
    looked = []

    def nothing(_pixels, regions, _larger):
        looked.extend((region.box, region.turn_rad) for region in regions)
        return [read._Reading() for _ in regions]

    monkeypatch.setattr(read, "_read_regions", nothing)
    _, points = lettering(0)
    assert read_words(np.full((60, 60, 3), 255, np.uint8), [replace(region_of(points, 0.0), letters=9)]) == []
    assert len(looked) == len(set(looked)) == 2


@needs_reader
def test_a_line_that_runs_on_past_its_place_is_read_to_its_end():
    picture, points = lettering(0, lines=("Waistband",))
    part = points[points[:, 0] < np.quantile(points[:, 0], 0.55)]
    lines = read_words(picture, [region_of(part, 0.0)])
    assert [line.text for line in lines] == ["Waistband"]


@needs_reader
def test_a_process_reads_as_this_one_does_and_this_one_goes_on_where_it_ends():
    picture, points = lettering(33)
    region = region_of(points, text_turn(points, 26.0))
    here = read_words(picture, [region])
    with getting_ready(wanted=True):
        assert engine._ready[-1].ask(READ, np.full((48, 48, 3), 255, np.uint8))["text"] == ""
        assert read_words(picture, [region]) == here
        engine._ready[-1].close()
        assert read_words(picture, [region]) == here
    assert not engine._ready


@needs_reader
def test_a_process_begun_early_is_the_one_that_reads():
    engine.begin_early()
    begun = engine._early[-1]
    with getting_ready(wanted=True):
        assert engine._ready[-1].begin() is begun
        assert begun.ask(READ, np.full((48, 48, 3), 255, np.uint8))["text"] == ""
    assert not engine._early


@needs_reader
def test_the_process_that_reads_is_begun_when_words_are_wanted_before_long():
    with getting_ready(wanted=True):
        assert engine._ready[-1]._process is None
        engine.begin_reading()
        assert engine._ready[-1]._process is not None


@needs_reader
def test_a_process_begun_early_ends_when_nobody_wants_words():
    engine.begin_early()
    child = engine._early[-1]._child
    engine._end_early()
    assert child.poll() is not None


def at(text, y, *, height=30.0, wide=200.0):
    box = ((0.0, y - height / 2), (wide, y - height / 2), (wide, y + height / 2), (0.0, y + height / 2))
    return TextLine(text=text, height=height, at=(wide / 2, y), box=box)


def test_a_name_on_two_lines_is_one_name():
    assert parse_label([at("Under", 0), at("collar", 38), at("cut 2", 70, height=20)]).name == "Under collar"


def test_other_words_below_a_name_are_not_part_of_it():
    assert parse_label([at("Under collar", 0), at("a note", 36, height=16)]).name == "Under collar"
    assert parse_label([at("Under collar", 0), at("far away", 200)]).name == "Under collar"
    assert parse_label([at("Back", 0), at("12", 36)]).name == "Back"


def test_what_two_places_share_is_there_once():
    lines = [at("Neck facin", 0), at("ck facing", 1), at("cut 2", 40)]
    assert [line.text for line in without_repeats(lines)] == ["Neck facin", "cut 2"]


@pytest.mark.parametrize(
    ("read", "right"),
    [("Neck facirlg", "Neck facing"), ("Callar stand", "Collar stand"), ("INTERFACIRLG", "INTERFACING")],
)
def test_readings_with_the_shape_of_a_trade_word_are_set_right(read, right):
    assert mended(read) == right


@pytest.mark.parametrize("name", ["Boot", "Ball", "Tail", "Sleeves", "Petal 7", "Mabel", "QX-14"])
def test_other_words_stay_as_they_were_read(name):
    assert mended(name) == name


def test_letters_too_small_to_be_told_apart_are_not_looked_at_from_closer_by(monkeypatch):
    d = Drawing(115, 140, dpi=110)
    d.line(BODICE, closed=True)
    for y in (60, 62.8):
        d.text((30, y), "x z s x z s", height_mm=1.4)
    looks = {False: [], True: []}

    def read_nothing(_pixels, regions, *, closer=False):
        looks[closer] += [region.glyph_px for region in regions]
        return []

    monkeypatch.setattr(find, "can_read_words", lambda: True)
    monkeypatch.setattr(find, "read_words", read_nothing)
    find.find_candidates(d.sheet())
    assert sorted(looks[False]) == pytest.approx([5.0, 9.6], abs=0.5)
    assert looks[True] == [max(looks[False])]


@needs_reader
def test_another_size_around_the_words_is_no_piece_inside_the_piece():
    d = Drawing(190, 150)
    for k in range(4):
        ring = [
            (26 - 2 * k, 30 - 2 * k),
            (120 + 6 * k, 34 - 3 * k),
            (130 + 8 * k, 110 + 6 * k),
            (26 - 2 * k, 105 + 7 * k),
        ]
        d.line(ring, closed=True, width_mm=0.4, dash=(None, (6, 2), (3, 1.5), (10, 2))[k])
    d.text((55, 60), "Sleeve", height_mm=6)
    d.text((55, 72), "cut 1 pair", height_mm=4)
    (sleeve,) = find.find_candidates(d.sheet()).candidates
    assert sleeve.name == "Sleeve"
    assert sleeve.cut.count == 2


@needs_reader
def test_all_lettering_of_the_demo_scan_is_read_and_nothing_beside_its_pieces_is_of_no_kind():
    with resources.as_file(resources.files("tracer.demo").joinpath("apron-scan.jpg")) as path:
        (picture,) = read_pictures(path)
    sheet = calibrate(picture, CalibrateOptions(request=parse_request("square=50mm")))
    marks = trace(sheet, TraceOptions()).record.marks
    words = {m.text for m in marks if m.kind == "text"}
    assert {"WORKSHOP APRON", "sheet 1 of 1 - seam allowance 10 mm is included"} <= words
    assert not [m.kind for m in marks if not m.text and m.kind in ("unknown", "circle", "internal line")]
