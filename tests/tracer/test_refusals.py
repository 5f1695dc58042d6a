"""Bad input gets one clear line and exit code 2; nothing is left behind and nothing is a traceback."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader, PdfWriter
from reportlab.pdfgen.canvas import Canvas

from tests.command import run

Maker = Callable[[Path], Path]


def missing(folder: Path) -> Path:
    return folder / "nowhere.jpg"


def text_named_png(folder: Path) -> Path:
    path = folder / "notes.png"
    path.write_text("this is no picture\n" * 40)
    return path


def truncated_jpeg(folder: Path) -> Path:
    path = folder / "half.jpg"
    pixels = np.random.default_rng(1).integers(0, 255, (600, 800, 3), dtype=np.uint8)
    Image.fromarray(pixels).save(path, quality=90)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    return path


def png_bomb(folder: Path) -> Path:
    """A PNG of 60 000 x 60 000 pixels in a few kilobytes (PNG third edition, 5.3 and 11.2)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", 60000, 60000, 8, 2, 0, 0, 0)
    path = folder / "bomb.png"
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(b"\0" * 1_000_000, 9))
        + chunk(b"IEND", b"")
    )
    return path


def three_pages(folder: Path) -> Path:
    path = folder / "three.pdf"
    canvas = Canvas(str(path))
    for number in range(3):
        canvas.drawString(72, 700, f"page {number + 1}: how to sew")
        canvas.showPage()
    canvas.save()
    return path


def encrypted_pdf(folder: Path) -> Path:
    writer = PdfWriter(clone_from=PdfReader(three_pages(folder)))
    writer.encrypt("secret", algorithm="RC4-128")
    path = folder / "locked.pdf"
    writer.write(path)
    return path


def empty(folder: Path) -> Path:
    path = folder / "empty.jpg"
    path.touch()
    return path


def a_folder(folder: Path) -> Path:
    return folder


def blank_scan(folder: Path) -> Path:
    path = folder / "blank.png"
    Image.new("L", (800, 1000), 245).save(path)
    return path


CASES: list[tuple[Maker, tuple[str, ...]]] = [
    (missing, ()),
    (text_named_png, ()),
    (truncated_jpeg, ()),
    (png_bomb, ()),
    (encrypted_pdf, ()),
    (three_pages, ("--pages", "99")),
    (three_pages, ("--pages", "6-4")),
    (three_pages, ("--pages", "two")),
    (empty, ()),
    (a_folder, ()),
    (blank_scan, ()),
    (blank_scan, ("--reference", "square=1in")),
    (blank_scan, ("--reference", "sqare=1in")),
    (blank_scan, ("--reference", "square=large")),
    (blank_scan, ("--tolerance", "soft")),
    (blank_scan, ("--reference-tolerance", "none")),
]


@pytest.mark.parametrize(
    ("make", "options"), CASES, ids=lambda v: v.__name__ if callable(v) else "-".join(v).strip("-")
)
def test_bad_input_gets_one_line_and_nothing_is_written(
    make: Maker,
    options: tuple[str, ...],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    source = tmp_path / "in"
    source.mkdir()
    path = make(source)
    job = tmp_path / "job"
    ran = run(capsys, monkeypatch, "trace", str(path), "--out", str(job), *options)
    assert ran.code == 2, ran
    lines = ran.err.strip().splitlines()
    assert len(lines) == 1, ran.err
    assert lines[0].startswith("tracewheel: ")
    assert "Traceback" not in ran.err
    assert not job.exists()


def test_a_folder_that_cannot_be_made_is_said_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    blocked = tmp_path / "a-file"
    blocked.write_text("in the way")
    ran = run(capsys, monkeypatch, "trace", str(blank_scan(tmp_path)), "--out", str(blocked / "job"))
    assert ran.code == 2
    assert ran.err.count("\n") == 1
    assert "--out" in ran.err
    assert blocked.read_text() == "in the way"


def test_a_text_page_gives_no_piece_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    ran = run(capsys, monkeypatch, "trace", str(three_pages(tmp_path)), "--out", str(tmp_path / "job"), "--pages", "2")
    assert ran.code in (0, 1)
    assert "no pieces" in ran.out
    assert "piece" in ran.err
    assert "page 2" in ran.out
