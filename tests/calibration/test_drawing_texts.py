"""Words in SVG and DXF files: what they say and where they stand."""

from __future__ import annotations

from pathlib import Path

import ezdxf
import pytest
from ezdxf.enums import TextEntityAlignment

from calibration.intake import read_pictures
from calibration.picture import DrawnText

PLACE_MM = 0.01


def texts_of(path: Path) -> list[DrawnText]:
    vectors = next(read_pictures(path)).vectors
    assert vectors is not None
    return list(vectors.texts)


@pytest.mark.parametrize(("anchor", "share"), [("start", 0.0), ("middle", 0.5), ("end", 1.0)])
def test_words_of_an_svg_stand_where_its_transforms_put_them(tmp_path: Path, anchor: str, share: float) -> None:
    (tmp_path / "a.svg").write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="200mm" height="100mm" viewBox="0 0 100 50">'
        '<g transform="translate(10 5)"><path d="M0 0H50V30H0Z" fill="none" stroke="#000"/>'
        f'<text x="20" y="15" font-size="4" text-anchor="{anchor}">Bib\n  cut 2</text></g>'
        '<text x="1" y="1" display="none">hidden</text></svg>'
    )
    (text,) = texts_of(tmp_path / "a.svg")
    x0, _, x1, y1 = text.box_mm
    assert text.text == "Bib cut 2"
    assert x0 + share * (x1 - x0) == pytest.approx(60.0, abs=PLACE_MM)
    assert y1 == pytest.approx(40.0, abs=PLACE_MM)


def test_words_of_a_dxf_stand_in_the_middle_of_where_they_are_centred(tmp_path: Path) -> None:
    document = ezdxf.new("R2000", units=4)
    space = document.modelspace()
    space.add_lwpolyline([(0, 0), (80, 0), (80, 60), (0, 60)], close=True)
    space.add_text("Cuff", height=5).set_placement((40, 20), align=TextEntityAlignment.MIDDLE_CENTER)
    space.add_text("left", height=5).set_placement((10, 50))
    document.saveas(tmp_path / "a.dxf")
    centred, left = texts_of(tmp_path / "a.dxf")
    x0, y0, x1, y1 = centred.box_mm
    # The page is the lines' box with 5 mm around it, y down.
    assert ((x0 + x1) / 2, (y0 + y1) / 2) == pytest.approx((45.0, 45.0), abs=PLACE_MM)
    assert (left.box_mm[0], left.box_mm[3]) == pytest.approx((15.0, 15.0), abs=PLACE_MM)
    assert [centred.text, left.text] == ["Cuff", "left"]
