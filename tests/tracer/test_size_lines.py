"""Seven sizes on one sheet (invented patterns): each one's line is followed over its whole way."""

import cv2
import numpy as np
import pytest

from calibration import PxPoints
from tests.tracer.sheet_drawing import Drawing, polygon_distance_mm
from tracer.candidate import RoughOutline
from tracer.ink import find_ink
from tracer.outline import locate
from tracer.search import bundles, choose
from tracer.search.bundles import follow_sizes, is_bundle
from tracer.search.closing import Part, SizeLoop
from tracer.search.drawn import read_line_work
from tracer.search.find import find_candidates
from tracer.search.graph import Edge
from tracer.search.laid import LaidLine
from tracer.search.nesting import Nesting
from tracer.search.pieces import find_pieces
from tracer.search.pulls import Ink

STYLES = (None, (6, 2), (3, 1.5), (8, 2, 1.5, 2), (1.2, 1.2), (12, 3), (4, 1.2, 1, 1.2))
CLOSE_MM = 1.0
"""Nowhere farther off than this: less than half the distance between neighbouring sizes."""


def skirt(k):
    """Half a skirt on a fold: the waists and hems end on it, and the side seams start close together."""
    g = 3.0 * k
    return np.array([(18, 36 - g), (96 + 0.4 * g, 26 - 0.3 * g), (112 + g, 96), (116 + g, 150 + g), (18, 156 + g)])


def sleeve(k):
    """A sleeve whose sizes run together at the hem: each is wider above, and all end at nearly one place below."""
    g = 2.4 * k
    cap = [(20 - g / 2, 60 + 0.2 * g), (40, 34 - g), (90, 24 - g), (140, 34 - g), (160 + g / 2, 60 + 0.2 * g)]
    return np.array([*cap, (134 + 0.1 * g, 160 + 0.6 * g), (46 - 0.1 * g, 160 + 0.6 * g)])


def front(k):
    """Half a front on a fold: all necklines cross in one fan below the shoulder, so that their order is reversed."""
    n = 2.5 * k
    t = np.linspace(0.0, 1.0, 30)[:, None]
    a, b, c, d = np.array([(18, 62 - 0.3 * n), (44, 62 - 0.3 * n), (58 + 0.5 * n, 44 - n), (60 + 0.5 * n, 24 - n)])
    neck = (1 - t) ** 3 * a + 3 * t * (1 - t) ** 2 * b + 3 * t * t * (1 - t) * c + t**3 * d
    side = [(104 + 2.4 * k, 36 - 1.4 * k), (110 + 4.0 * k, 100), (116 + 4.0 * k, 152 + 3.5 * k), (18, 160 + 3.5 * k)]
    return np.array([*neck, *side])


def drawn(shape, styles, dpi):
    d = Drawing(184, 196, dpi=dpi)
    for k in range(7):
        d.line(shape(k), closed=True, width_mm=0.35, dash=styles[k])
    return d


def polygon_area_mm2(points):
    x, y = points.T
    return abs(float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum())) / 2


def distinct(parts):
    """The closed polygon of a line's parts."""
    points = np.concatenate([p.points for p in parts])
    return points[np.hypot(*(points - np.roll(points, 1, axis=0)).T) > 1e-6]


@pytest.mark.parametrize("shape", [skirt, sleeve])
@pytest.mark.parametrize(("styles", "dpi"), [(STYLES, 240), ((None,) * 7, 170)])
def test_each_of_seven_sizes_is_followed_over_its_whole_way(shape, styles, dpi):
    d = drawn(shape, styles, dpi)
    sheet = d.sheet()
    ink = find_ink(sheet.picture.pixels, sheet.mm_per_px)
    work = read_line_work(ink, bundled=True)
    assert is_bundle(work, work.loops[0])
    found = follow_sizes(work, work.loops[0])
    rings = [(ink.to_picture(distinct(f.parts)) + 0.5) * d.mm_per_px for f in found]
    for k in range(7):
        true = shape(k)
        away = [max(polygon_distance_mm(r, true).max(), polygon_distance_mm(true, r).max()) for r in rings]
        assert min(away) < CLOSE_MM, k


def test_the_border_of_a_bundle_is_known_from_a_strip_between_two_sizes():
    """Of dashed sizes the outermost loop may be such a strip, open on one side."""
    ink = np.zeros((800, 800), np.uint8)
    for inset in range(0, 90, 15):
        cv2.rectangle(ink, (100 + inset, 100 + inset), (700 - inset, 700 - inset), 255, 3)
    outer, inner = (
        np.array([(a, 300), (a, a), (800 - a, a), (800 - a, 800 - a), (a, 800 - a), (a, 500)]) for a in (100, 115)
    )
    strip = np.concatenate([outer, inner[::-1]]).astype(float)
    assert cv2.contourArea(bundles._hull(ink, 0.1, strip).astype(np.float32)) > 0.95 * 600**2


def test_a_line_that_was_closed_back_along_its_neighbour_is_no_size():
    loops = [
        SizeLoop(parts=(), chains=frozenset(), own=1.0, area=a, rank=k) for k, a in enumerate((900, 30, 1000, 1050))
    ]
    assert [s.rank for s in bundles._around(loops)] == [0, 2, 3]
    assert bundles._around([]) == []


def test_lines_that_all_cross_in_one_fan_keep_their_sizes():
    d = drawn(front, (None,) * 7, 240)
    sheet = d.sheet()
    ink = find_ink(sheet.picture.pixels, sheet.mm_per_px)
    work = read_line_work(ink, bundled=True)
    found = follow_sizes(work, work.loops[0])
    assert [f.rank for f in found] == list(range(7))
    for k, f in enumerate(found):
        ring = (ink.to_picture(distinct(f.parts)) + 0.5) * d.mm_per_px
        # Within the fan itself, where corners lie on the lines of others, a line may be a millimetre or two off.
        away = np.concatenate([polygon_distance_mm(ring, front(k)), polygon_distance_mm(front(k), ring)])
        assert np.mean(away < CLOSE_MM / 2) > 0.95, k


def test_sizes_keep_their_numbers_where_one_is_not_followed(monkeypatch):
    d = drawn(skirt, STYLES, 200)
    sheet = d.sheet()
    work = read_line_work(find_ink(sheet.picture.pixels, sheet.mm_per_px), bundled=True)
    found, other = find_pieces(work, [])
    monkeypatch.setattr(choose, "follow_sizes", lambda *a: [s for s in follow_sizes(*a) if s.rank != 2])
    monkeypatch.setattr(choose, "_from_strokes", lambda *_: choose._Strokes(found=[], links=[], first=0))
    whole = work.loops[0].area * d.mm_per_px**2
    for asked, told, count in ((2, 2, 7), (3, 4, 2), (4, 4, 7)):
        chosen, counts = choose.choose_sizes(work, found, other, asked)
        true = polygon_area_mm2(skirt(told - 1))
        assert counts == [count]
        assert abs(chosen[0].area * d.mm_per_px**2 - true) < 0.01 * whole


def test_the_size_asked_for_is_traced():
    d = drawn(skirt, STYLES, 200)
    result = find_candidates(d.sheet(), size_line=4, words=False)
    assert len(result.candidates) == 1
    outline = (result.candidates[0].outline.points_px + 0.5) * d.mm_per_px
    assert polygon_distance_mm(outline, skirt(3)).max() < CLOSE_MM


def ladder(count=3, apart=40):
    """Lines of three sizes side by side that grading laid, in pixels of 0.1 mm; the last two run into one below."""
    y = np.arange(0.0, 400.0)
    ways = [np.stack([np.full_like(y, 60.0 + apart * n), y], axis=1) for n in range(count)]
    ways[-1][:, 0] = np.maximum(ways[-1][:, 0] - np.maximum(y - 200.0, 0.0) * apart / 60.0, ways[-2][:, 0])
    mask = np.zeros((420, 260), np.uint8)
    for way in ways:
        cv2.polylines(mask, [np.rint(way).astype(np.int32).reshape(-1, 1, 2)], False, 255, 4)
    part = [Part(points=way, kind="graded", white_mm=0.0, sure=False) for way in ways]
    loops = [SizeLoop(parts=(p,), chains=frozenset(), own=1.0, area=1.0, rank=n) for n, p in enumerate(part)]
    return loops, Ink(mask=mask, mm_per_px=0.1, width_mm=0.4)


def test_a_line_that_grading_laid_on_a_line_of_its_own_is_read_there():
    loops, ink = ladder()
    wide = bundles._wide(ink)
    first, second, third = bundles._with_seen(loops, ink, wide)
    assert [p.kind for p in first.parts] == ["seen"]
    for loop in (second, third):
        assert [p.kind for p in loop.parts] == ["seen", "graded"]
        assert 200 < loop.parts[0].points[-1, 1] < 270
        assert np.array_equal(loop.points, loops[loop.rank].points)
    closer, packed = ladder(apart=9)
    close = bundles._with_seen(closer, packed, bundles._wide(packed))
    assert [p.kind for loop in close for p in loop.parts] == ["graded"] * 3
    assert bundles._with_seen(loops[:1], ink, wide) == loops[:1]


def test_a_line_that_grading_laid_stays_where_it_is_and_is_not_said_to_be_known_well():
    ring = np.array([(100 + 60 * np.cos(a), 100 + 60 * np.sin(a)) for a in np.linspace(0, 2 * np.pi, 400)[:-1]])
    pixels = np.full((200, 200, 3), 245, np.uint8)
    # A line of another size lies two pixels farther out: it is what is seen there.
    cv2.circle(pixels, (100, 100), 62, (30, 30, 30), 3, cv2.LINE_AA)
    none = np.zeros(len(ring), dtype=bool)
    laid = ring[:, 0] > 110
    rough = RoughOutline(
        points_px=PxPoints(ring),
        kind="drawn",
        line_width_px=3.0,
        colour_weights=np.array([0.2126, 0.7152, 0.0722]),
        obscured=laid,
        bridged=none,
        reader=LaidLine(points_px=ring[laid], sigma_px=1.5),
    )
    evidence = locate(pixels, rough)
    points = np.asarray(evidence.points_px)
    far = np.hypot(*(points - 100).T)
    graded, read = points[:, 0] > 116, points[:, 0] < 85
    assert np.abs(far[graded] - 60).max() < 0.3
    assert np.abs(far[read] - 62).max() < 0.3
    assert evidence.valid[graded].all()
    assert evidence.valid[read].all()
    assert (evidence.sigma_px[graded] == 1.5).all()
    assert evidence.sigma_px[read].max() < 0.3


def hip(k):
    """Half a skirt whose side seams all lie on each other for much of their way."""
    g = 3.0 * k
    return np.array([(18, 36 - g), (96, 26 - 0.3 * g), (112, 60), (112, 96), (116 + g, 150 + g), (18, 156 + g)])


def folded(k):
    """Half a skirt whose waists all cross halfway: the reversed order would leave the same ink."""
    g = k - 3.0
    return np.array([(18, 40 + 0.45 * g), (96, 40 - 0.45 * g), (104 + 3 * g, 150 + 2 * g), (18, 156 + 2 * g)])


@pytest.mark.parametrize(("shape", "told"), [(skirt, False), (hip, False), (folded, True)])
def test_where_a_size_could_not_be_told_from_the_others_that_is_said(shape, told):
    d = drawn(shape, (None,) * 7, 200)
    result = find_candidates(d.sheet(), size_line=4, words=False)
    assert ("size-line-unseen" in {f.code for f in result.findings}) == told


def test_a_piece_with_its_stitching_line_is_no_bundle_of_sizes():
    d = Drawing(150, 150)
    for inset in (0.0, 10.0):
        corners = [(20 + inset, 20 + inset), (130 - inset, 20 + inset), (130 - inset, 130 - inset)]
        d.line([*corners, (20 + inset, 130 - inset)], closed=True)
    sheet = d.sheet()
    work = read_line_work(find_ink(sheet.picture.pixels, sheet.mm_per_px))
    assert not is_bundle(work, work.loops[0])


def test_a_small_piece_full_of_marks_is_no_bundle_of_sizes():
    d = Drawing(120, 90)
    d.line([(20, 20), (100, 20), (100, 70), (20, 70)], closed=True)
    d.line([(26, 26), (94, 26), (94, 64), (26, 64)], closed=True, dash=(5, 2))
    d.line([(40, 22), (40, 34), (66, 34), (66, 22)])
    d.line([(74, 42), (74, 58), (90, 58), (90, 42)], dash=(3, 1.5))
    d.line([(30, 40), (30, 60)])
    sheet = d.sheet()
    work = read_line_work(find_ink(sheet.picture.pixels, sheet.mm_per_px))
    assert not is_bundle(work, work.loops[0])


def test_the_inside_does_not_leak_through_the_spaces_of_a_dashed_line():
    def box(inset):
        a, b = 10.0 + inset, 210.0 - inset
        return np.array([(a, a), (b, a), (b, b), (a, b), (a, a)])

    def points(inset):
        return np.concatenate([np.linspace(p, q, 100) for p, q in zip(box(inset)[:-1], box(inset)[1:], strict=True)])

    inner = points(30.0)
    dashes = [Edge(0, 1, inner[i : i + 12]) for i in range(0, len(inner), 18)]
    edges = [Edge(0, 1, points(0.0)), Edge(0, 1, points(15.0)), *dashes]
    closed = Nesting(edges, points(0.0), 4.0, space_px=14.0)
    assert [closed.out(e) for e in (edges[0], edges[1], edges[2])] == pytest.approx([1.0, 0.5, 0.0], abs=0.1)
    leaking = Nesting(edges, points(0.0), 4.0).out(edges[1])
    assert leaking is not None
    assert leaking < 0.2


def test_the_border_of_a_bundle_is_that_of_its_ink_where_its_loop_is_a_strip_along_a_few_sides():
    fine = np.zeros((700, 600), np.uint8)
    for inset in (0, 20, 40):
        corners = np.array(
            [(60 + inset, 340), (160, 60 + inset), (540 - inset, 60 + inset), (540 - inset, 640 - inset)]
        )
        cv2.polylines(fine, [np.vstack([corners, [(60 + inset, 640 - inset)]]).reshape(-1, 1, 2)], True, 255, 4)
    strip = np.array([(540, 60), (540, 640), (60, 640), (60, 620), (520, 620), (520, 60)], dtype=float)
    outer = bundles._hull(fine, 0.1, strip)
    assert abs(cv2.contourArea(outer.astype(np.float32)) / (480 * 580 - 100 * 280 / 2) - 1.0) < 0.05
    mark = strip[[0, 1, 2]] * 0.1 + 300.0
    assert bundles._hull(fine, 0.1, mark) is mark


def test_the_lines_of_the_other_sizes_are_no_marks():
    d = drawn(skirt, STYLES, 200)
    result = find_candidates(d.sheet(), size_line=4, words=False)
    kinds = {m.kind for m in (*result.candidates[0].marks, *result.sheet_marks)}
    assert kinds <= {"text"}
