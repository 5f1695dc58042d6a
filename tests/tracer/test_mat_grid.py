"""Things cut out that lie on a gridded mat, on small pictures drawn here with exactly known outlines."""

import cv2
import numpy as np
import pytest

from calibration import MmPoints, PxPoints, Reference
from calibration.light import decode_srgb
from tests.shapes import encode_srgb
from tests.tracer.sheet_drawing import INK, Drawing, polygon_distance_mm
from tracer.pipeline import TraceOptions, trace
from tracer.profiles import closed_normals, resample_closed
from tracer.search.bodies import find_bodies
from tracer.search.find import find_candidates
from tracer.search.loops import polygon_area
from tracer.search.mat_edge import EdgeOnMat, find_edge_line
from tracer.search.mat_grid import find_grid
from tracer.search.mat_light import OnMat
from tracer.search.mat_points import colours_on_mat, evened, printed_beside

DPI = 100.0
MM_PER_PX = 25.4 / DPI
OUTLINE_MM = 0.20
"""Eight tenths of a pixel: what a lined mat may cost an outline that plain ground gives to a tenth (our own limit)."""
COARSELY = 0.05
"""Share of the area of what is hardly seen that may not be seen coarsely: three millimetres along its edge, about the
width that it is averaged over (our own limit)."""
HIDDEN_BY_SHADE_MM = 0.2
"""A shadow of card's own lightness hides so much of where it ends (twice what is stated for it, standard)."""
CODES_95, CODES_99 = 10, 30
"""A picture that was put right may differ from one drawn without lines by so many codes of 255 within 2 mm of the edge,
at 95 % and at 99 % of the pixels (our own limit; the lines themselves make 50 and more)."""
MATS = {
    "green": ((38, 92, 74), (206, 214, 190)),
    "pale": ((214, 218, 212), (64, 74, 88)),
    "pink": ((196, 110, 130), (250, 236, 236)),
}
WEAK = {"weak": ((196, 208, 204), (150, 164, 160))}
"""A pale mat with lines of little contrast."""
SEEN_THROUGH = {
    "light through tissue": ((200, 176, 124), (220, 204, 166)),
    "bright through tissue": ((186, 160, 110), (236, 224, 196)),
    "dark through tissue": ((222, 206, 168), (176, 156, 118)),
}
"""A mat and its lines as they look through tissue that lies on them."""
WHITE = {"white": ((226, 226, 220), (40, 60, 120)), "faint": ((226, 226, 220), (196, 198, 204))}
"""White mats, the second with lines so weak that they might be seen through what lies on them."""
HARDLY_RED = {"teal": ((16, 94, 100), (222, 218, 180))}
BLOCK = np.array([[33, 31.2], [92, 30.4], [97.3, 80], [60, 92], [30.2, 79.6]], dtype=float)


def mat_drawing(colour, things, *, pitch_mm=10.0, size=(160, 130), lines=True, shadow=0.0, dpi=DPI, heavy_mm=0.45):
    """A mat that fills the picture, its grid from 5 mm on, and rings filled with a colour on it.

    Every fifth line, the third first, is as wide as ``heavy_mm``.
    """
    body, ink = (MATS | WEAK | SEEN_THROUGH | HARDLY_RED | WHITE)[colour]
    d = Drawing(*size, dpi=dpi, paper=body)
    across = np.arange(5.0, size[0] - 4, pitch_mm)
    down = np.arange(5.0, size[1] - 4, pitch_mm)
    if lines:
        for i, x in enumerate(across):
            d.line([(x, down[0]), (x, down[-1])], width_mm=heavy_mm if i % 5 == 2 else 0.45, colour=ink)
        for i, y in enumerate(down):
            d.line([(across[0], y), (across[-1], y)], width_mm=heavy_mm if i % 5 == 2 else 0.45, colour=ink)
    if shadow:
        # A shadow darkens mat and lines alike, on one side of each thing.
        shade = Drawing(*size, dpi=DPI, paper=(255, 255, 255))
        for ring, _ in things:
            shade.fill(np.asarray(ring) + [0.6, 0.9], colour=(round(255 * (1 - shadow)),) * 3)
        shade.soften(0.6)
        d.canvas = (d.canvas.astype(np.float32) * shade.canvas / 255).astype(np.uint8)
    for ring, fill in things:
        d.fill(ring, colour=fill)
    return d, across, down


def mat_sheet(d, across, down, things, *, pitch_mm=10.0, **options):
    """The sheet of such a drawing, with the crossings that are seen as the mat's points."""
    nodes = np.array([(x, y) for x in across for y in down])
    for ring, _ in things:
        ring = np.asarray(ring, dtype=float)
        a, b = ring, np.roll(ring, -1, axis=0)
        over = (a[:, 1] > nodes[:, None, 1]) != (b[:, 1] > nodes[:, None, 1])
        with np.errstate(divide="ignore", invalid="ignore"):
            at = a[:, 0] + (nodes[:, None, 1] - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0])
        covered = (over & (nodes[:, None, 0] < at)).sum(axis=1) % 2 == 1
        nodes = nodes[~covered & (polygon_distance_mm(nodes, ring) > 1.0)] if len(nodes) else nodes
    edge = np.array([(x, y) for x, y in ((0, 0), (-1, 0), (-1, -1), (0, -1))])
    outline = np.array([(across[i], down[j]) for i, j in edge])
    mat = Reference(
        kind="mat",
        size=f"{pitch_mm:g}mm",
        points_px=PxPoints(nodes / d.mm_per_px - 0.5),
        points_mm=MmPoints(nodes),
        sigma_px=np.full(len(nodes), 0.05),
        tolerance_relative=0.0003,
        outline_px=PxPoints(outline / d.mm_per_px - 0.5),
    )
    return d.sheet(others=[mat], **options)


def assert_outlines(sheet, things):
    traced = trace(sheet, TraceOptions(words=False)).pieces
    assert len(traced) == len(things)
    for ring, _ in things:
        ring = np.asarray(ring, dtype=float)
        samples = [np.asarray(t.piece.outline.sample(0.25)[0]) for t in traced]
        best = min(samples, key=lambda s: float(np.hypot(*(s.mean(axis=0) - ring.mean(axis=0)))))
        assert polygon_distance_mm(best, ring).max() < OUTLINE_MM
        assert polygon_distance_mm(ring, best).max() < OUTLINE_MM
    return traced


@pytest.mark.parametrize("colour", ["green", "pink"])
def test_card_is_traced_where_lines_of_a_mat_run_into_its_edges_and_along_them(colour):
    # Two edges lie within a line's width of lines at 30 and 80 mm and leave them at a small angle.
    things = [(BLOCK - [0, 0.6], (242, 240, 234))]
    d, across, down = mat_drawing(colour, things, shadow=0.35)
    assert_outlines(mat_sheet(d, across, down, things), things)


def test_heavy_lines_of_a_mat_in_a_near_photo_are_no_part_of_card_of_nearly_their_colour():
    # Lines of 0.9 mm, seven pixels here, at 25 and 75 mm: one runs into both of the long sides, one along a side.
    ring = np.array([[13, 31.2], [72, 30.4], [74.6, 72], [40, 88], [10.2, 79.6]], dtype=float)
    things = [(ring, (222, 190, 126))]
    d, across, down = mat_drawing("green", things, size=(100, 100), dpi=200.0, heavy_mm=0.9)
    assert_outlines(mat_sheet(d, across, down, things), things)


def test_paper_that_covers_most_of_a_mat_is_not_its_ground():
    big = [
        (np.array([[8, 9], [152, 7], [149, 60], [12, 63]], dtype=float), (240, 236, 224)),
        (np.array([[10, 68], [146, 66], [151, 119], [7, 121]], dtype=float), (240, 236, 224)),
    ]
    d, across, down = mat_drawing("green", big)
    assert_outlines(mat_sheet(d, across, down, big), big)


def test_white_card_on_a_pale_mat_is_traced_whole_under_the_soft_shadow_of_a_hand():
    # Card in the shade is as light as the mat in the light.
    white = (242, 240, 234)
    things = [
        (np.array([[32, 27], [83, 23], [93, 72], [60, 92], [28, 76]]), white),
        (np.array([[108, 20], [150, 24], [146, 110], [112, 100]]), white),
    ]
    d, across, down = mat_drawing("pale", things)
    shade = Drawing(160, 130, dpi=DPI, paper=(255, 255, 255))
    shade.fill([(-30, 55), (60, 40), (140, 62), (150, 150), (-30, 150)], colour=(205, 205, 205))
    shade.soften(8.0)
    d.canvas = (d.canvas.astype(np.float32) * shade.canvas / 255).astype(np.uint8)
    traced = assert_outlines(mat_sheet(d, across, down, things), things)
    assert [len(t.piece.holes) for t in traced] == [0, 0]


def test_card_that_hardly_differs_from_a_white_mat_is_seen_whole_where_its_lines_are_not_seen():
    # Twelve codes lighter and blurred, its edge changes no faster than light does in a soft shadow.
    things = [(np.array([[27, 26], [118, 22], [134, 96], [70, 112], [31, 84]], dtype=float), (238, 238, 234))]
    d, across, down = mat_drawing("white", things)
    d.canvas = cv2.GaussianBlur(d.canvas, (0, 0), 3.0)
    sheet = mat_sheet(d, across, down, things)
    bodies = find_bodies(sheet.picture.pixels, sheet.mm_per_px, None, find_grid(sheet))
    assert len(bodies.things) == 1
    seen_mm2 = bodies.things[0][0].sum() * bodies.ground.mm_per_px**2
    assert seen_mm2 == pytest.approx(abs(polygon_area(things[0][0])), rel=COARSELY)


def test_a_piece_drawn_on_white_paper_that_hides_the_faint_lines_of_a_white_mat_is_found():
    paper = np.array([[20, 18], [141, 15], [144, 112], [24, 116]], dtype=float)
    d, across, down = mat_drawing("faint", [(paper, (240, 240, 238))])
    piece = np.array([[35, 35], [115, 35], [115, 95], [35, 95]], dtype=float)
    d.line(piece, closed=True, width_mm=0.6)
    found = find_candidates(mat_sheet(d, across, down, [(paper, None)]), words=False).candidates
    assert [c.outline.kind for c in found] == ["drawn"]


def test_paper_that_has_in_part_the_lightness_of_its_white_mat_is_seen_whole():
    paper = np.array([[14, 18], [149, 18], [149, 112], [14, 112]], dtype=float)
    d, across, down = mat_drawing("white", [], size=(230, 200))
    rows, columns = d.canvas.shape[:2]
    x, y = np.arange(columns) * 230 / columns, np.arange(rows) * 200 / rows
    inside = (y > 18) & (y < 112), (x > 14) & (x < 149)
    faded = np.clip((x[inside[1]] - 105) / 10, 0, 1)[:, None]
    d.canvas[np.ix_(*inside)] = np.rint(np.array([240, 240, 238]) - 11 * faded)
    d.line(np.array([[25, 35], [133, 33], [138, 95], [30, 98]], dtype=float), closed=True, width_mm=0.6)
    sheet = mat_sheet(d, across, down, [(paper, None)])
    bodies = find_bodies(sheet.picture.pixels, sheet.mm_per_px, None, find_grid(sheet))
    seen_mm2 = bodies.things[0][0].sum() * bodies.ground.mm_per_px**2
    assert seen_mm2 == pytest.approx(abs(polygon_area(paper)), rel=COARSELY)


def test_what_a_mat_has_printed_on_it_is_no_piece():
    # Numbers, ticks and a printed hexagon in the mat's own ink beside a template.
    things = [(BLOCK, (186, 52, 48))]
    d, across, down = mat_drawing("pale", things)
    ink = MATS["pale"][1]
    turn = np.arange(6) * np.pi / 3
    d.line(np.stack([126 + 14 * np.cos(turn), 60 + 14 * np.sin(turn)], axis=1), closed=True, colour=ink, width_mm=0.45)
    for x in np.arange(5, 156, 2.5):
        d.line([(x, 5), (x, 8)], colour=ink, width_mm=0.25)
    for n in range(8):
        d.text((20 * n + 6, 129), str(n), height_mm=3.5)
    found = find_candidates(mat_sheet(d, across, down, things), words=False).candidates
    assert [c.outline.kind for c in found] == ["edge"]


def test_a_piece_drawn_on_a_sheet_on_a_mat_is_found_where_it_happens_to_lie_on_grid_lines():
    sheet_ring = [(np.array([[9, 8], [151, 10], [150, 121], [10, 119]], dtype=float), (240, 238, 232))]
    d, across, down = mat_drawing("pale", sheet_ring)
    drawn = np.array([[35, 35], [95, 35], [95, 75], [35, 75]], dtype=float)
    d.line(drawn, closed=True, width_mm=0.6, colour=INK)
    found = find_candidates(mat_sheet(d, across, down, sheet_ring), words=False).candidates
    assert [c.outline.kind for c in found] == ["drawn"]


@pytest.mark.parametrize("colour", list(MATS))
def test_the_picture_without_lines_looks_as_if_none_had_been_drawn(colour):
    things = [(BLOCK, (242, 240, 234) if colour != "pale" else (186, 52, 48))]
    d, across, down = mat_drawing(colour, things, shadow=0.3)
    plain, _, _ = mat_drawing(colour, things, shadow=0.3, lines=False)
    sheet = mat_sheet(d, across, down, things)
    cleared = find_candidates(sheet, words=False).edge_pixels.astype(int)
    difference = np.abs(cleared - plain.pixels().astype(int)).max(axis=2)
    before = np.abs(sheet.picture.pixels.astype(int) - plain.pixels().astype(int)).max(axis=2)
    y, x = np.mgrid[0 : difference.shape[0], 0 : difference.shape[1]]
    mm = (np.stack([x.ravel(), y.ravel()], axis=1) + 0.5) * MM_PER_PX
    beside = (polygon_distance_mm(mm, BLOCK) < 2.0).reshape(difference.shape)
    assert np.percentile(before[beside], 95) > 5 * CODES_95
    assert np.percentile(difference[beside], 95) < CODES_95
    assert np.percentile(difference[beside], 99) < CODES_99


def test_the_long_thin_point_of_a_thing_is_kept_beside_what_else_is_printed_on_the_mat():
    # A diagonal like the mats of the trade have them; the point is as thin and as long as a printed line seen in part.
    ring = np.array([[24, 61.3], [88, 54.2], [118, 64], [116, 96], [84, 88]])
    d, across, down = mat_drawing("green", [])
    d.line([(8, 25), (58, 75)], width_mm=0.45, colour=MATS["green"][1])
    d.fill(ring, colour=(186, 52, 48))
    assert_outlines(mat_sheet(d, across, down, [(ring, None)]), [(ring, None)])


def test_what_lies_in_the_shadow_beside_a_thing_is_no_notch_of_it():
    # Figures and diagonals that run up to the edge of white card, and its shadow.
    things = [(np.array([[32, 27], [83, 23], [93, 72], [60, 92], [28, 76]]), (242, 240, 234))]
    d, across, down = mat_drawing("pale", things, shadow=0.35)
    for ends in ([(8, 15), (34, 41)], [(85, 60), (130, 90)]):
        d.line(ends, width_mm=0.45, colour=MATS["pale"][1])
    d.fill(*things[0])
    d.text((84, 45), "7", height_mm=3.5)
    d.text((40, 22), "4", height_mm=3.5)
    (card,) = find_candidates(mat_sheet(d, across, down, things), words=False).candidates
    assert not [m for m in card.marks if m.kind in ("notch", "unknown")]


@pytest.mark.parametrize("end", [(132.5, 51.6), (131.5, 51.2), (138, 52.6)])
def test_the_long_point_of_grey_card_is_kept_though_a_mats_print_has_its_colour_in_shade(end):
    # Two end between lines of the mat, one just beyond one, where it is thinner than the line.
    ring = np.array([[27, 36], [80, 41.3], end, [80, 55.7], [76, 102], [28, 98]])
    d, across, down = mat_drawing("green", [])
    d.fill(ring, colour=(150, 147, 138))
    (traced,) = trace(mat_sheet(d, across, down, [(ring, None)]), TraceOptions(words=False)).pieces
    outline = np.asarray(traced.piece.outline.sample(0.25)[0])
    off = polygon_distance_mm(outline, ring)
    at_end = np.hypot(*(outline - end).T) < 1.0
    assert polygon_distance_mm(ring, outline).max() < OUTLINE_MM
    assert off[~at_end].max() < OUTLINE_MM
    # Where a point ends is read less surely than its sides, and that is said.
    assert off[at_end].max() < min(2 * OUTLINE_MM, traced.piece.fit.max_mm)


def test_an_edge_is_found_under_a_line_of_the_things_own_colour_and_is_said_to_be_less_sure_there():
    # Card of the lines' own colour; its left side lies in the middle of the line at 35 mm and leaves it slowly.
    ring = np.array([[34.9, 37.6], [91.3, 38.9], [89.7, 88.2], [35.6, 87.1]])
    things = [(ring, MATS["green"][1])]
    d, across, down = mat_drawing("green", things)
    sheet = mat_sheet(d, across, down, things)
    pixels, grid = sheet.picture.pixels, find_grid(sheet)
    bodies = find_bodies(pixels, sheet.mm_per_px, None, grid)
    thing = np.median(bodies.ground.ratio[bodies.things[0][1][1] :][20:60, 150:300].reshape(-1, 3), axis=0)
    # A rough outline that is off by two pixels to and fro.
    share = np.linspace(0, 1, 200)[:-1, None]
    dense = np.concatenate([a + (b - a) * share for a, b in zip(ring, np.roll(ring, -1, axis=0), strict=True)])
    swing = 2.0 * np.sin(np.arange(len(dense)) / 60)[:, None] * np.sign(dense - dense.mean(axis=0)) / np.sqrt(2)
    rough = dense / MM_PER_PX - 0.5 + swing
    on = OnMat(pixels=pixels, grid=grid, look=bodies.look, ground=bodies.ground, thing=thing)
    line = find_edge_line(rough, on)
    mm = (line.points_px + 0.5) * MM_PER_PX
    off = polygon_distance_mm(mm, ring) / MM_PER_PX
    corner = np.hypot(*(mm[:, None] - ring).T).min(axis=0) < 2.0
    left = (mm[:, 0] < 36.5) & ~corner
    right = (mm[:, 0] > 89.0) & ~corner & (line.sigma_px > 0)
    assert np.sqrt((off[right] ** 2).mean()) < 0.25
    assert np.median(line.sigma_px[left]) > 2 * np.median(line.sigma_px[right])
    assert (off[left] < 3 * line.sigma_px[left]).mean() > 0.9


def test_an_edge_is_said_to_be_less_sure_where_a_line_ends_that_is_not_of_the_grid():
    # Mats of the trade have diagonals; what the grid foretells there is not seen, wherever the edge may lie.
    ring = np.array([[33.0, 31.2], [92.0, 33.4], [90.3, 84.0], [30.2, 81.6]])
    d, across, down = mat_drawing("green", [])
    for x in (42.0, 66.0):
        d.line([(x - 25, 5), (x + 35, 65)], width_mm=0.45, colour=MATS["green"][1])
    d.fill(ring, colour=(150, 140, 130))
    sheet = mat_sheet(d, across, down, [(ring, None)])
    pixels, grid = sheet.picture.pixels, find_grid(sheet)
    bodies = find_bodies(pixels, sheet.mm_per_px, None, grid)
    thing = np.median(bodies.ground.ratio[bodies.things[0][1][1] :][20:60, 150:300].reshape(-1, 3), axis=0)
    on = OnMat(pixels=pixels, grid=grid, look=bodies.look, ground=bodies.ground, thing=thing)
    rough, _ = resample_closed(ring / MM_PER_PX - 0.5, 1.0)
    line = find_edge_line(rough, on)
    told = EdgeOnMat(line=line, on=on).read(rough, closed_normals(rough))
    mm = (rough + 0.5) * MM_PER_PX
    # Both diagonals end at the upper side, where x - y is 12 and 36 mm.
    along = np.abs(mm[:, 0] - mm[:, 1] - np.array([[12.0], [36.0]])).min(axis=0)
    upper = (mm[:, 1] < 35.0) & told.known & (np.abs(mm[:, 0] - 62) < 26)
    ends, clear = upper & (along < 0.5), upper & (along > 2.0)
    assert ends.sum() >= 3
    assert np.median(told.sigma_px[ends]) > 2 * np.median(told.sigma_px[clear])
    assert (np.abs(told.offset_px[upper]) < 3 * told.sigma_px[upper]).mean() > 0.95


def test_heavy_lines_are_seen_on_a_mat_of_which_one_colour_is_hardly_there():
    # A teal mat has a hundredth of white's red: a few codes of noise, in blocks as JPEG makes them, are half of that.
    d, across, down = mat_drawing("teal", [], heavy_mm=0.9)
    rows, columns = d.canvas.shape[:2]
    noise = np.random.default_rng(4).normal(0, 4.0, (rows // 8 + 1, columns // 8 + 1, 3))
    noise = np.repeat(np.repeat(noise, 8, axis=0), 8, axis=1)[:rows, :columns]
    d.canvas = np.clip(np.rint(d.canvas + noise), 0, 255).astype(np.uint8)
    sheet = mat_sheet(d, across, down, [])
    look = find_bodies(sheet.picture.pixels, sheet.mm_per_px, None, find_grid(sheet)).look
    for gains in look.gains:
        much = gains[:, :, :, 1].sum(axis=2).mean(axis=1)
        heavy = np.arange(len(much)) % 5 == 2
        assert much[heavy].min() > 1.5 * much[~heavy].max()


@pytest.mark.parametrize("colour", ["green", "pale"])
def test_a_word_printed_on_a_mat_is_no_piece_and_no_part_of_what_lies_on_it(colour):
    things = [(BLOCK, (226, 196, 130))]
    d, across, down = mat_drawing(colour, [], dpi=150.0)
    # Letters like an E, 10 mm high; two words, one of which goes on under the card.
    for x, y in [(x, 46.0) for x in np.arange(78.5, 124.0, 6.0)] + [(x, 107.0) for x in np.arange(26.0, 44.0, 6.0)]:
        d.fill([(x, y), (x + 1.4, y), (x + 1.4, y + 10), (x, y + 10)], colour=MATS[colour][1])
        for bar in (y, y + 4.3, y + 8.6):
            d.fill([(x, bar), (x + 4.6, bar), (x + 4.6, bar + 1.4), (x, bar + 1.4)], colour=MATS[colour][1])
    d.fill(BLOCK, colour=things[0][1])
    assert_outlines(mat_sheet(d, across, down, things), things)


@pytest.mark.parametrize("colour", ["green", "pink", "pale"])
def test_lines_printed_aslant_on_a_mat_are_no_part_of_what_they_run_into(colour):
    # One runs along an edge at a few degrees, one leaves a corner, and both make slivers of mat with the grid's lines.
    ring = np.array([[60.3, 42.0], [99.0, 84.3], [60.0, 104.0], [35.0, 70.2]])
    things = [(ring, (120, 160, 200))]
    d, across, down = mat_drawing(colour, [], dpi=150.0)
    for a, b in (((25, 5), (145, 125)), ((5, 55), (55, 5)), ((5, 100), (100, 5)), ((95, 125), (60, 5))):
        d.line([a, b], width_mm=0.45, colour=MATS[colour][1])
    d.fill(ring, colour=things[0][1])
    sheet = mat_sheet(d, across, down, things)
    assert_outlines(sheet, things)
    bodies = find_bodies(sheet.picture.pixels, sheet.mm_per_px, None, find_grid(sheet))
    assert len(bodies.look.slants) == 4


@pytest.mark.parametrize(("card", "unsure"), [((160, 163, 158), True), ((186, 52, 48), False)])
def test_card_of_a_mats_colour_in_shade_is_said_to_be_less_sure(card, unsure):
    things = [(BLOCK, card)]
    d, across, down = mat_drawing("pale", things)
    piece = trace(mat_sheet(d, across, down, things), TraceOptions(words=False)).pieces[0].piece
    assert any("its ground in shade" in note for note in piece.notes) == unsure
    assert (piece.fit.p95_mm > HIDDEN_BY_SHADE_MM) == unsure


def test_the_light_of_the_mat_is_read_between_its_lines():
    things = [(BLOCK, (242, 240, 234))]
    d, across, down = mat_drawing("green", things)
    sheet = mat_sheet(d, across, down, things)
    bodies = find_bodies(sheet.picture.pixels, sheet.mm_per_px, None, find_grid(sheet))
    body = ((np.array(MATS["green"][0]) / 255 + 0.055) / 1.055) ** 2.4
    assert bodies.look is not None
    assert np.abs(bodies.ground.light / body - 1).max() < 0.05
    assert bodies.look.contrast > 2
    assert len(bodies.things) == 1


def test_the_dark_side_of_card_in_uneven_light_is_no_print_of_its_mat():
    # The lamp's light falls off towards one end: there it has the codes of print in the light rather than of card.
    ring = np.array([[14, 12], [218, 16], [212, 112], [20, 118]], dtype=float)
    d, across, down = mat_drawing("weak", [(ring, (222, 206, 180))], size=(232, 130))
    lamp = (1.0 - 0.7 * np.linspace(0.0, 1.0, d.canvas.shape[1]) ** 3)[None, :, None]
    d.canvas = encode_srgb(decode_srgb(d.canvas) * lamp)
    sheet = mat_sheet(d, across, down, [(ring, None)])
    pixels = sheet.picture.pixels
    bodies = find_bodies(pixels, sheet.mm_per_px, None, find_grid(sheet))
    (body, (x, y)), ground = bodies.things[0], bodies.ground
    window = (slice(y, y + body.shape[0]), slice(x, x + body.shape[1]))
    colour = np.median(ground.ratio[window][body], axis=0)
    on = OnMat(pixels=pixels, grid=bodies.grid, look=bodies.look, ground=ground, thing=colour)
    outline = bodies.outline_px(0)
    colours = colours_on_mat(outline, on)
    inside = np.zeros(pixels.shape[:2], np.uint8)
    cv2.fillPoly(inside, [np.rint(outline).astype(np.int32)], 1)
    inside = cv2.erode(inside, np.ones((9, 9), np.uint8)) > 0
    light = cv2.resize(ground.light, pixels.shape[1::-1])
    assert not printed_beside(evened(pixels, light, outline, on), on, outline, colours)[inside].any()
    assert printed_beside(pixels, on, outline, colours)[inside].sum() > 1000, "what it is about"


def test_lines_of_a_mat_across_a_very_large_picture_are_read():
    d, across, down = mat_drawing("green", (), size=(1900, 60))
    sheet = mat_sheet(d, across, down, ())
    bodies = find_bodies(sheet.picture.pixels, sheet.mm_per_px, None, find_grid(sheet))
    assert bodies.look is not None
    assert bodies.look.contrast > 1.5
